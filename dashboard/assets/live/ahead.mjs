// @ts-check
/* Where temperatures go from here, drawn over the sheet right of "now": band, dashed line, the time at which it
   meets a limit, its value at the end. */
import { svg } from "../dom.mjs";
import { formatNumber } from "../format.mjs";
import { severityMark } from "../marks.mjs";

/** What is ahead takes one fifth of the width: a quarter of what lies behind. */
const SHARE_AHEAD = 1 / 4;
const APART_PX = 4;

/** @typedef {import("./messages.d.ts").Ahead} Ahead */
/** @typedef {import("../sheet.mjs").Sheet} Sheet */
/** A course with its joint and pen. @typedef {Ahead & {joint: string, pen: number}} PenAhead */

/** How many seconds are shown ahead of a window. @param {number} behind_s */
export function secondsAhead(behind_s) {
  return behind_s * SHARE_AHEAD;
}

/**
 * A course from `from` to `to`, its ends put between its points: [time, low, median, high].
 * @param {Ahead} ahead @param {number} from @param {number} to
 * @returns {[number, number, number, number][]}
 */
export function clipCourse({ at, low, median, high }, from, to) {
  const value = (/** @type {number[]} */ of, /** @type {number} */ time) => {
    const next = at.findIndex((one) => one >= time);
    if (next <= 0) return next < 0 ? of[of.length - 1] : of[0];
    const share = (time - at[next - 1]) / (at[next] - at[next - 1]);
    return of[next - 1] + share * (of[next] - of[next - 1]);
  };
  if (!at.length || to <= at[0] || from >= at[at.length - 1]) return [];
  const [begin, end] = [Math.max(from, at[0]), Math.min(to, at[at.length - 1])];
  const times = [begin, ...at.filter((time) => time > begin && time < end), end];
  return times.map((time) => [time, value(low, time), value(median, time), value(high, time)]);
}

/**
 * When the median of a course first rises to a level; null where it does not.
 * @param {[number, number, number, number][]} points @param {number} level
 */
export function meetsLevel(points, level) {
  for (let i = 1; i < points.length; i++) {
    const [before, after] = [points[i - 1], points[i]];
    if (before[2] < level && after[2] >= level)
      return before[0] + ((level - before[2]) / (after[2] - before[2])) * (after[0] - before[0]);
  }
  return null;
}

/** Seconds below a minute, else minutes. @param {number} seconds */
function timeText(seconds) {
  const minutes = seconds / 60;
  if (minutes < 1) return `${formatNumber(seconds, 0)} s`;
  return `${formatNumber(minutes, minutes < 9.5 ? 1 : 0)} min`;
}

/**
 * @param {Sheet} sheet @param {DocumentFragment} group @param {PenAhead[]} courses @param {number} now
 */
export function drawAhead(sheet, group, courses, now) {
  for (const course of courses) {
    const row = sheet.meta.rows.findIndex((/** @type {any} */ one) =>
      one.pens.some((/** @type {any} */ pen) => pen.joint === course.joint && pen.channel === course.channel),
    );
    const points = clipCourse(course, now, sheet.view[1]);
    if (row >= 0 && points.length > 1) drawCourse(sheet, group, row, course, points, now);
  }
}

/**
 * @param {Sheet} sheet @param {DocumentFragment} group @param {number} row @param {PenAhead} course
 * @param {[number, number, number, number][]} points @param {number} now
 */
function drawCourse(sheet, group, row, course, points, now) {
  const { range } = sheet.meta.rows[row];
  const inside = (/** @type {number} */ value) => Math.min(Math.max(value, range[0]), range[1]);
  const place = (/** @type {number} */ time, /** @type {number} */ value) =>
    `${sheet.x(time).toFixed(1)},${sheet.y(row, inside(value)).toFixed(1)}`;
  const line = (/** @type {1 | 2 | 3} */ which) => points.map((point) => place(point[0], point[which]));
  const pen = `p${course.pen}`;
  const band = [...line(3), ...line(1).reverse()].join(" ");
  group.append(
    svg("polygon", { class: `ahead-band ${pen}`, points: band }),
    svg("polyline", { class: `ahead ${pen}`, points: line(2).join(" ") }),
  );
  const { text } = sheet.meta;
  for (const limit of sheet.meta.limits) {
    if (limit.row !== row || typeof limit.until === "number") continue;
    const time = meetsLevel(points, limit.y);
    if (time === null) continue;
    const [x, y] = [sheet.x(time), sheet.y(row, limit.y)];
    const words = timeText(time - now);
    group.append(
      severityMark(limit.mark, x, y, text),
      svg("text", { class: "ahead-words halo", x: x - text, y: y - APART_PX, "text-anchor": "end" }, words),
    );
  }
  const [end, , median] = points[points.length - 1];
  const y = sheet.y(row, inside(median)) - 2 * APART_PX;
  const at = { x: sheet.x(end) - APART_PX, y, "text-anchor": "end" };
  group.append(svg("text", { class: "ahead-value halo", ...at }, formatNumber(median, 0)));
}
