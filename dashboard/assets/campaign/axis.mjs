// @ts-check
/* One axis of running hours, pauses folded. Pure: it knows neither page nor answer. */
import { clamp } from "../dom.mjs";

const FOLD = 14;
const LEAST_FOLD = 0.5;
/** So much of the width all folds together may take. */
const FOLDS_SHARE = 0.25;
const HOUR_STEPS = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000];

/** Where running hours lie between two edges, with a strip of paper for each fold. */
export class RunningAxis {
  /** @param {number} hours @param {number} folds @param {number} left @param {number} right */
  constructor(hours, folds, left, right) {
    this.left = left;
    this.right = right;
    this.hours = hours;
    this.fold = folds ? clamp((FOLDS_SHARE * (right - left)) / folds, LEAST_FOLD, FOLD) : 0;
    this.scale = hours > 0 ? (right - left - folds * this.fold) / hours : 0;
  }

  /** @param {[number, number]} place running hours, and how many folds lie before */
  x([hour, folds]) {
    return this.left + clamp(hour, 0, this.hours) * this.scale + folds * this.fold;
  }

  /** Round running hours that stand at least so many pixels apart. @param {number} apart */
  ticks(apart) {
    const step = HOUR_STEPS.find((one) => one * this.scale >= apart);
    if (!step || !this.scale) return [];
    return Array.from({ length: Math.floor(this.hours / step) }, (_, at) => (at + 1) * step);
  }
}

/** How many folds lie before a running hour; one at the hour itself does not. @param {{at: number}[]} folds */
export function foldsBefore(folds, /** @type {number} */ hour) {
  return folds.filter(({ at }) => at < hour).length;
}

/**
 * Which labels can stand side by side, those that matter most first.
 * @template {{x: number, width: number}} T
 * @param {T[]} labels in order of what matters
 * @param {number} from
 * @param {number} to
 * @returns {T[]} moved to lie within `from` and `to`
 */
export function roomFor(labels, from, to) {
  /** @type {T[]} */
  const kept = [];
  for (const label of labels) {
    const half = label.width / 2;
    const x = clamp(label.x, from + half, Math.max(to - half, from + half));
    const isFree = kept.every((one) => Math.abs(one.x - x) >= (one.width + label.width) / 2 + 6);
    if (isFree && label.width <= to - from) kept.push({ ...label, x });
  }
  return kept;
}

/**
 * Neighbouring days as columns that are wide enough for their digits: counts are summed.
 * @param {{from: [number, number], to: [number, number], counts: number[], label: string, href: string}[]} days
 * @param {RunningAxis} axis
 * @param {number} least width of a column in pixels
 */
export function dayColumns(days, axis, least) {
  /** @type {{from: number, to: number, counts: number[], label: string, last: string, href: string}[]} */
  const columns = [];
  for (const { from, to, counts, label, href } of days) {
    const [begin, end] = [axis.x(from), axis.x(to)];
    const before = columns[columns.length - 1];
    if (before && before.to - before.from < least) {
      before.to = end;
      before.last = label;
      if (!before.counts.some(Boolean)) before.href = href;
      before.counts = before.counts.map((count, kind) => count + counts[kind]);
    } else columns.push({ from: begin, to: end, counts: [...counts], label, last: label, href });
  }
  return columns;
}
