// @ts-check
/* One figure over running hours: hours as they were, trend and changes, and its newest value at the pen's tip. */
import { svg } from "../dom.mjs";
import { foldsBefore } from "./axis.mjs";
import { linked, textWidth } from "./linked.mjs";

/** @typedef {import("./answers.d.ts").FigureRow} FigureRow */
/** @typedef {import("./answers.d.ts").RowSpan} RowSpan */
/** @typedef {import("./axis.mjs").RunningAxis} Axis */

/** @typedef {{y: number, height: number, width: number, isNarrow: boolean, asItCame: boolean}} Box */
/** @typedef {Box & {folds: {at: number}[]}} RowPlace */

const EDGE = 6;

/** @param {FigureRow} row @param {Axis} axis @param {RowPlace} place */
export function drawRow(row, axis, place) {
  const { y, height } = place;
  const whole = row.high - row.low || 1;
  const up = (/** @type {number} */ value) => y + height - EDGE - ((value - row.low) / whole) * (height - 2 * EDGE);
  const group = svg("g", { class: "figure-row" });
  for (const [value, text] of row.ticks) {
    const at = up(value);
    group.append(svg("line", { x1: axis.left, x2: axis.right, y1: at, y2: at, class: "grid" }));
    group.append(svg("text", { x: axis.left - 7, y: at + 4, class: "tick" }, text));
  }
  /* What leaves the row, as a slope's interval may, is cut off at its edge. */
  const clip = svg("svg", { x: 0, y, width: place.width, height, viewBox: `0 ${y} ${place.width} ${height}` });
  for (const span of row.spans) clip.append(...drawSpan(span, axis, up, place.asItCame));
  for (const span of row.other) clip.append(...drawOther(span, axis, up, place));
  group.append(clip);
  group.append(...(place.isNarrow ? narrowWords(row, place) : wideWords(row, axis, place, up)));
  return group;
}

/** What changed in a row: over the folds, so that it can be read among many. @param {FigureRow} row @param {Axis} axis
 * @param {RowPlace} place */
export function drawChanges({ changes }, axis, place) {
  return changes.map((change) => drawChange(change, axis, place));
}

/**
 * @param {RowSpan} span
 * @param {Axis} axis
 * @param {(value: number) => number} up
 * @param {boolean} asItCame
 */
function drawSpan({ folds, at, low, mean, high, came, course, reach }, axis, up, asItCame) {
  const places = at.map((hour) => axis.x([hour, folds]));
  const line = (/** @type {number[]} */ values) =>
    places.map((x, i) => `${x.toFixed(1)},${up(values[i]).toFixed(1)}`);
  const band = (/** @type {number[]} */ from, /** @type {number[]} */ to) =>
    [...line(to), ...line(from).reverse()].join(" ");
  const thin = svg("polyline", { points: line(asItCame ? mean : came).join(" "), class: "dotted" });
  const parts = asItCame ? [thin] : [svg("polygon", { points: band(low, high), class: "band" }), thin];
  parts.push(svg("polyline", { points: line(asItCame ? came : mean).join(" "), class: "hours" }));
  if (course.length && !asItCame) {
    const from = course.map((value, i) => value - reach[i]);
    const to = course.map((value, i) => value + reach[i]);
    parts.push(svg("polygon", { points: band(from, to), class: "reach" }));
    parts.push(svg("polyline", { points: line(course).join(" "), class: "level" }));
  }
  return parts;
}

/**
 * Another joint's hours on the running hours of this one, as far as these go.
 * @param {RowSpan} span
 * @param {Axis} axis
 * @param {(value: number) => number} up
 * @param {RowPlace} place
 */
function drawOther({ at, mean, came }, axis, up, { asItCame, folds }) {
  const values = asItCame ? came : mean;
  const points = at.flatMap((hour, i) =>
    hour <= axis.hours ? [`${axis.x([hour, foldsBefore(folds, hour)]).toFixed(1)},${up(values[i]).toFixed(1)}`] : [],
  );
  return [svg("polyline", { points: points.join(" "), class: "other" })];
}

/** @param {import("./answers.d.ts").MarkedChange} change @param {Axis} axis @param {RowPlace} place */
function drawChange({ at, from, to, text, said, href }, axis, { y, height }) {
  const x = axis.x(at);
  const [left, right] = [axis.x(from), axis.x(to)];
  const length = textWidth(text, 12) + 6;
  const isLeft = x + length > axis.right;
  const isUp = !text.startsWith("+");
  return linked(href, said, [
    svg("rect", { x: left, y, width: Math.max(right - left, 1), height, class: "when" }),
    svg("line", { x1: x, x2: x, y1: y, y2: y + height, class: "change" }),
    svg(
      "text",
      { x: x + (isLeft ? -5 : 5), y: isUp ? y + 11 : y + height - 3, class: isLeft ? "by left" : "by" },
      text,
    ),
  ]);
}

/** @param {FigureRow} row @param {Axis} axis @param {RowPlace} place @param {(value: number) => number} up */
function wideWords(row, axis, { y, width }, up) {
  const newest = row.spans[row.spans.length - 1];
  /** @type {SVGElement[]} */
  const parts = [svg("text", { x: 0, y: y + 14, class: "title" }, row.label)];
  const below = [row.stage ? `${row.unit}, ${row.stage}` : row.unit];
  below.push(...(row.compared ? ["dotted: as it came"] : ["no temperature", "to compare by"]));
  below.forEach((text, at) => parts.push(svg("text", { x: 0, y: y + 30 + 15 * at, class: "unit" }, text)));
  if (!newest) return [...parts, svg("text", { x: axis.left, y: y + 30, class: "unit" }, "not known of any cycle")];
  const tip = up(newest.mean[newest.mean.length - 1]);
  const start = axis.right + 24;
  parts.push(svg("line", { x1: axis.right, x2: start - 4, y1: tip, y2: tip, class: "lead" }));
  parts.push(svg("circle", { cx: axis.right, cy: tip, r: 3, class: "tip" }));
  const value = svg("text", { x: start, y: tip + 5, class: "value" }, row.value);
  const unit = svg("tspan", { class: "unit", dx: 4 }, row.unit);
  value.append(unit);
  const words = svg(
    "text",
    { x: start + (row.mark ? 16 : 0), y: tip + 22, class: row.mark || "as-before" },
    row.words,
  );
  parts.push(
    linked(row.href, `${row.label} ${row.value} ${row.unit}, ${row.words}: the newest day in Replay`, [value]),
  );
  if (row.mark) parts.push(drawMark(row.mark, start + 5, tip + 18));
  if (textWidth(row.words, 12) > width - start - 16) words.setAttribute("textLength", String(width - start - 18));
  return [...parts, words];
}

/** @param {FigureRow} row @param {RowPlace} place */
function narrowWords(row, { y, width }) {
  const title = svg("text", { x: 0, y: y - 6, class: "title" }, row.label);
  title.append(svg("tspan", { class: "unit", dx: 5 }, row.unit));
  const end = svg("text", { x: width - 2, y: y - 6, class: `row-end ${row.mark || "as-before"}` }, row.value);
  end.append(svg("tspan", {}, `, ${row.words.replace(" since yesterday", "")}`));
  return [title, linked(row.href, `${row.label} ${row.value} ${row.unit}, ${row.words}: in Replay`, [end])];
}

/** A state's shape within the picture. @param {string} mark @param {number} x @param {number} y */
function drawMark(mark, x, y) {
  const shapes = { abnormal: `M${x} ${y - 5} l5.5 9.5 h-11 Z`, none: `M${x} ${y - 5} l5 5 -5 5 -5 -5 Z` };
  return svg("path", { d: shapes[/** @type {"abnormal" | "none"} */ (mark)] || "", class: `state-${mark}` });
}
