// @ts-check
/* The one scale of all lanes in time and value, and the paths that are drawn by it. Pure. */

const TOP = 16;
const LOW = 4;
const MARGIN = 0.06;
const LEAST_PX = 2;

/** @typedef {{low: (number | null)[], high: (number | null)[]}} Shape lowest and highest of each stretch of a lane */
/**
 * @typedef {{key: string, place: number | null, off: boolean, at: number, scale: number, mirrored: boolean,
 *   rising: boolean}} Level
 */

/**
 * The values that a picture of shapes and levels must hold, with a margin.
 * @param {Shape[][]} shapes
 * @param {Level[]} levels
 * @returns {[number, number]}
 */
export function valueRange(shapes, levels) {
  const measured = shapes.flat().flatMap(({ low, high }) => [...low, ...high]);
  let [low, high] = [Infinity, -Infinity];
  const include = (/** @type {number | null} */ value) => {
    if (value === null || !Number.isFinite(value)) return;
    low = Math.min(low, value);
    high = Math.max(high, value);
  };
  measured.forEach(include);
  const hasData = Number.isFinite(low);
  for (const { at, mirrored } of levels) {
    include(at);
    if (mirrored && hasData && low < 0) include(-at);
  }
  if (!Number.isFinite(low)) [low, high] = [0, 1];
  if (low === high) [low, high] = [low - 1, high + 1];
  const margin = (high - low) * MARGIN;
  return [low - margin, high + margin];
}

/**
 * The values beyond the levels of a lane's joints, as spans apart from each other: what is beyond any of them.
 * @param {Level[][]} joints
 * @param {number} low what the lane shows
 * @param {number} high
 * @returns {[number, number][]}
 */
export function beyondLevels(joints, low, high) {
  /** @type {[number, number][]} */
  const spans = [];
  for (const { off, at, mirrored, rising } of joints.flat()) {
    if (off) continue;
    if (rising) spans.push([at, high], ...(mirrored ? /** @type {[number, number][]} */ ([[low, -at]]) : []));
    else spans.push([mirrored ? -at : low, at]);
  }
  /** @type {[number, number][]} */
  const apart = [];
  for (const [from, to] of spans.sort((a, b) => a[0] - b[0])) {
    const [start, end] = [Math.max(from, low), Math.min(to, high)];
    const last = apart[apart.length - 1];
    if (start >= end) continue;
    if (last && start <= last[1]) last[1] = Math.max(last[1], end);
    else apart.push([start, end]);
  }
  return apart;
}

/** Values in one lane of a height, and back. */
export class LaneScale {
  constructor() {
    /** @type {[number, number] | null} */
    this.range = null;
    this.height = 0;
    this.top = TOP;
  }

  get low() {
    return this.range ? this.range[0] : 0;
  }

  get high() {
    return this.range ? this.range[1] : 1;
  }

  /** @param {number} value */
  y(value) {
    return TOP + (1 - (value - this.low) / (this.high - this.low)) * (this.height - TOP - LOW);
  }

  /** @param {number} y */
  value(y) {
    return this.low + (1 - (y - TOP) / (this.height - TOP - LOW)) * (this.high - this.low);
  }

  /** A step of about a share of the range, a power of ten. @param {number} parts */
  grain(parts) {
    return 10 ** Math.floor(Math.log10((this.high - this.low) / parts));
  }

  /** Round values within the range, a few. @param {number} most @returns {number[]} */
  ticks(most) {
    const least = (this.high - this.low) / most;
    const power = 10 ** Math.floor(Math.log10(least));
    const step = [1, 2, 5, 10].map((one) => one * power).find((one) => one >= least - 1e-12) || power * 10;
    const first = Math.ceil(this.low / step);
    const count = Math.floor(this.high / step) - first + 1;
    return Array.from({ length: Math.max(0, count) }, (_, k) => Number(((first + k) * step).toPrecision(9)));
  }

  /** Rounds to what a person would type: three digits of the picture's range. @param {number} value */
  round(value) {
    const grain = this.grain(200);
    return Number((Math.round(value / grain) * grain).toPrecision(9));
  }

  /**
   * Lowest to highest of each stretch, one closed path for each run without a gap.
   * @param {Shape} shape
   * @param {number} width
   */
  bandPaths(shape, width) {
    const step = width / shape.low.length;
    const half = LEAST_PX / 2;
    /* What hardly moves is as thick as a trace. */
    const ends = shape.low.map((low, k) => {
      const [top, bottom] = [this.y(shape.high[k] || 0), this.y(low || 0)];
      const middle = (top + bottom) / 2;
      return [Math.min(top, middle - half), Math.max(bottom, middle + half)];
    });
    const point = (/** @type {number} */ k, /** @type {number} */ end) =>
      `${((k + 0.5) * step).toFixed(1)},${ends[k][end].toFixed(1)}`;
    return heldRuns(shape.low).map((run) => {
      const up = run.map((k) => point(k, 0));
      const down = run.toReversed().map((k) => point(k, 1));
      return `M${up.join("L")}L${down.join("L")}Z`;
    });
  }
}

/** The places of each run without a gap. @param {(number | null)[]} values @returns {number[][]} */
export function heldRuns(values) {
  /** @type {number[][]} */
  const runs = [];
  values.forEach((value, i) => {
    if (value === null) return;
    if (i > 0 && values[i - 1] !== null) runs[runs.length - 1].push(i);
    else runs.push([i]);
  });
  return runs;
}
