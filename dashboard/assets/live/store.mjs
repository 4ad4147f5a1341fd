// @ts-check
/* The bins of the Live window as columns of plain numbers, and the traces that are made of them. */

/** What plotly draws; null breaks a line. @typedef {{x: (number | null)[], y: (number | null)[]}} Points */

/* As figures/lines.py has it. */
const FLAG_LEAST = 0.12;

/** @param {Points} points */
function breakLine(points) {
  if (!points.x.length) return;
  points.x.push(null);
  points.y.push(null);
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
  }

  /** @param {number} channels @param {number} width of a bin in seconds */
  clear(channels, width) {
    const columns = () => Array.from({ length: channels }, () => []);
    this.width = width;
    this.starts = [];
    this.newest = [];
    [this.a, this.b, this.mean] = [columns(), columns(), columns()];
  }

  /**
   * Adds the bins of a message; a whole one replaces what was there.
   * @param {import("./frame.mjs").BinFrame} frame
   */
  add(frame) {
    const { channels, width, bins, now, newest } = frame;
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
    this.starts.splice(0, k);
    for (const set of [this.a, this.b, this.mean]) for (const column of set) column.splice(0, k);
  }

  /** Fills x and y of a trace by its role. @param {any} trace */
  fillTrace(trace) {
    const { at: channel, role, reach } = trace.meta;
    const points =
      role === "fill"
        ? this.bandPoints(channel, reach)
        : role === "mean"
          ? this.meanPoints(channel, reach)
          : this.linePoints(channel);
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

  /** First and last bin of each run that is held. @param {number} channel @returns {[number, number][]} */
  heldRuns(channel) {
    const held = this.a[channel];
    /** @type {[number, number][]} */
    const runs = [];
    held.forEach((value, i) => {
      if (Number.isNaN(value)) return;
      if (i && !Number.isNaN(held[i - 1])) runs[runs.length - 1][1] = i;
      else runs.push([i, i]);
    });
    return runs;
  }

  /**
   * A flag in the bins from an instant on: its blocks, how often it came on and its share of the time; null: no
   * block, not known. A message has no length: a bin with any is a whole block.
   * @param {number} channel
   * @param {number} from
   */
  flag(channel, from) {
    const first = Math.max(
      this.starts.findIndex((start) => start >= from),
      0,
    );
    let [count, held, on] = [0, 0, 0];
    const heights = this.starts.slice(first).map((_, k) => {
      const [onsets, part, share] = [this.a, this.b, this.mean].map((column) => column[channel][first + k]);
      if (Number.isNaN(onsets)) return null;
      count += onsets;
      held += part;
      on += share;
      if (!(onsets > 0 || share > 0)) return null;
      return Number.isNaN(share) ? 1 : Math.max(share / part, FLAG_LEAST);
    });
    const share = held > 0 && !Number.isNaN(on) ? Math.min(on / held, 1) : null;
    return { start: this.starts[first], width: this.width, heights, count, share };
  }

  /**
   * What a value of each bin is with those of `reach` more on either side, none of them beyond a gap: figures/lines.py
   * spreads its bands the same way.
   * @param {number} channel
   * @param {number[]} values
   * @param {number} reach
   * @param {(held: number[]) => number} reduce
   */
  spread(channel, values, reach, reduce) {
    const made = [...values];
    for (const [first, last] of reach ? this.heldRuns(channel) : [])
      for (let i = first; i <= last; i++)
        made[i] = reduce(values.slice(Math.max(i - reach, first), Math.min(i + reach, last) + 1));
    return made;
  }

  /**
   * One polygon of steps for each run, as figures/lines.py draws them.
   * @param {number} channel
   * @param {number} [reach]
   * @returns {Points}
   */
  bandPoints(channel, reach = 0) {
    const { starts, width } = this;
    const [a, b] = [this.a[channel], this.b[channel]];
    const lowest = a.map((value, i) => Math.min(value, b[i]));
    const highest = a.map((value, i) => Math.max(value, b[i]));
    const low = this.spread(channel, lowest, reach, (held) => Math.min(...held));
    const high = this.spread(channel, highest, reach, (held) => Math.max(...held));
    /** @type {Points} */
    const points = { x: [], y: [] };
    for (const [first, last] of this.heldRuns(channel)) {
      breakLine(points);
      const end = starts[last] + width;
      points.x.push(...starts.slice(first, last + 1), end, end);
      points.y.push(...high.slice(first, last + 1), high[last], low[last]);
      for (let i = last; i >= first; i--) {
        points.x.push(starts[i]);
        points.y.push(low[Math.max(i - 1, first)]);
      }
    }
    return points;
  }

  /**
   * The mean of each bin in steps.
   * @param {number} channel
   * @param {number} [reach]
   * @returns {Points}
   */
  meanPoints(channel, reach = 0) {
    const { starts, width } = this;
    const mean = this.spread(
      channel,
      this.mean[channel],
      reach,
      (held) => held.reduce((sum, value) => sum + value, 0) / held.length,
    );
    /** @type {Points} */
    const points = { x: [], y: [] };
    for (const [first, last] of this.heldRuns(channel)) {
      breakLine(points);
      points.x.push(...starts.slice(first, last + 1), starts[last] + width);
      points.y.push(...mean.slice(first, last + 1), mean[last]);
    }
    return points;
  }
}
