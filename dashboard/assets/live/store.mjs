// @ts-check
/* The bins of the Live window as columns of plain numbers, and the traces that are made of them. */

/** @typedef {{x: number[], max: (number | null)[], min: (number | null)[], mean: (number | null)[]}} Band */
/** What plotly draws; null breaks a line. @typedef {{x: (number | null)[], y: (number | null)[]}} Points */

/**
 * One polygon for each stretch of a band that is held, as figures/lines.py draws them.
 * @param {Band} band
 * @returns {Points}
 */
function bandOutlines(band) {
  /** @type {Points} */
  const points = { x: [], y: [] };
  for (let i = 0; i < band.x.length; i++) {
    if (band.max[i] === null) continue;
    const first = i;
    while (i + 1 < band.x.length && band.max[i + 1] !== null) i++;
    const along = band.x.slice(first, i + 1);
    if (points.x.length) {
      points.x.push(null);
      points.y.push(null);
    }
    points.x.push(...along, ...along.toReversed());
    points.y.push(...band.max.slice(first, i + 1), ...band.min.slice(first, i + 1).reverse());
  }
  return points;
}

/** The bins of one window, oldest first. */
export class BinStore {
  constructor() {
    /** The width of a bin in seconds. */
    this.width = 1;
    /** @type {number[]} */
    this.starts = [];
    /** First extreme, second extreme and mean of each channel. @type {number[][]} */
    this.a = [];
    /** @type {number[][]} */
    this.b = [];
    /** @type {number[][]} */
    this.mean = [];
    /** Time and value of each channel's newest reading. @type {[number, number][]} */
    this.newest = [];
    /** Bands that were cut of these bins. @type {Map<string, Band>} */
    this.cut = new Map();
  }

  /** @param {number} channels @param {number} width of a bin in seconds */
  clear(channels, width) {
    const columns = () => Array.from({ length: channels }, () => []);
    this.width = width;
    this.starts = [];
    this.newest = [];
    this.cut.clear();
    [this.a, this.b, this.mean] = [columns(), columns(), columns()];
  }

  /**
   * Adds the bins of a message; a whole one replaces what was there.
   * @param {import("./frame.mjs").BinFrame} frame
   */
  add(frame) {
    const { channels, width, bins, now, newest } = frame;
    this.cut.clear();
    if (frame.isWhole || this.a.length !== channels || this.width !== width) this.clear(channels, width);
    for (let i = 0; i < frame.count; i++) {
      this.starts.push(frame.start + i * width);
      for (let k = 0; k < channels; k++) {
        const offset = (i * channels + k) * 3;
        this.a[k].push(bins[offset]);
        this.b[k].push(bins[offset + 1]);
        this.mean[k].push(bins[offset + 2]);
      }
    }
    this.newest = [];
    for (let k = 0; k < channels; k++) this.newest.push([now - newest[2 * k], newest[2 * k + 1]]);
  }

  /** Drops bins that ended before an instant, many at once. @param {number} before */
  dropBefore(before) {
    let k = 0;
    while (k < this.starts.length && this.starts[k] + this.width < before) k++;
    if (k < 32) return;
    this.cut.clear();
    this.starts.splice(0, k);
    for (const set of [this.a, this.b, this.mean]) for (const column of set) column.splice(0, k);
  }
  /**
   * The buckets of a band: groups of bins, cut at the same places whatever the window; null where nothing is held.
   * @param {number} channel
   * @param {number} group how many bins a bucket has
   * @returns {Band}
   */
  band(channel, group) {
    const key = channel + "/" + group;
    const known = this.cut.get(key);
    if (known) return known;
    const [a, b, mean] = [this.a[channel], this.b[channel], this.mean[channel]];
    const { width, starts } = this;
    const place = (/** @type {number} */ i) => Math.floor(Math.round(starts[i] / width) / group);
    /** @type {Band} */
    const band = { x: [], max: [], min: [], mean: [] };
    for (let i = 0; i < starts.length; ) {
      const [first, bucket] = [i, place(i)];
      let [high, low, sum, held] = [-Infinity, Infinity, 0, 0];
      for (; i < starts.length && place(i) === bucket; i++) {
        if (Number.isNaN(a[i])) continue;
        high = Math.max(high, a[i], b[i]);
        low = Math.min(low, a[i], b[i]);
        sum += mean[i];
        held++;
      }
      band.x.push((starts[first] + starts[i - 1] + width) / 2);
      band.max.push(held ? high : null);
      band.min.push(held ? low : null);
      band.mean.push(held ? sum / held : null);
    }
    this.cut.set(key, band);
    return band;
  }

  /** Fills x and y of a trace by its role. @param {any} trace */
  fillTrace(trace) {
    const { at: channel, role, group } = trace.meta;
    const isLine = role === "line" || role === "setpoint";
    const points = isLine ? this.linePoints(channel) : this.bandPoints(channel, role, group || 1);
    trace.x = points.x;
    trace.y = points.y;
  }

  /**
   * Both extremes of each bin in their order, and the newest reading behind them.
   * @param {number} channel
   * @returns {Points}
   */
  linePoints(channel) {
    const { width, starts } = this;
    const [a, b] = [this.a[channel], this.b[channel]];
    /** @type {Points} */
    const { x, y } = { x: [], y: [] };
    starts.forEach((start, i) => {
      if (Number.isNaN(a[i])) {
        x.push(start + width / 2);
        y.push(null);
      } else if (a[i] === b[i]) {
        x.push(start + width / 2);
        y.push(a[i]);
      } else {
        x.push(start + width / 4, start + 0.75 * width);
        y.push(a[i], b[i]);
      }
    });
    const [at, value] = this.newest[channel] || [NaN, NaN];
    const last = x.length ? Number(x[x.length - 1]) : -Infinity;
    if (at > last && (last === -Infinity || at - last < 3 * width + 1)) {
      x.push(at);
      y.push(value);
    }
    return { x, y };
  }

  /** @param {number} channel @param {"fill" | "max" | "min" | "mean"} role @param {number} group @returns {Points} */
  bandPoints(channel, role, group) {
    const band = this.band(channel, group);
    return role === "fill" ? bandOutlines(band) : { x: [...band.x], y: [...band[role]] };
  }
}
