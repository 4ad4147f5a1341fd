// @ts-check
/* The right margin of a sheet: the names of limits and the value of each pen, apart from each other. */
import { svg } from "./dom.mjs";
import { formatNumber, formatReading } from "./format.mjs";
import { spreadLabels } from "./labels.mjs";
import { severityMark } from "./marks.mjs";
import { hasValue } from "./sheet.mjs";

const ENDED = "limit halo";
const SWATCH_PX = 9;
const WHO_APART_PX = 5;

/** @typedef {import("./sheet.mjs").Sheet} Sheet */
/** @typedef {import("./sheet.mjs").Tip & {value: number}} ValuedTip */
/**
 * A level, with its label and ever shorter ones, and the pen of its one joint.
 * @typedef {{row: number, y: number, until?: number | null, texts: string[], pen: number | null,
 *   mark: string}} LimitLine
 */

/**
 * Draws the margin.
 * @param {Sheet} sheet
 * @param {DocumentFragment} group
 * @param {import("./sheet.mjs").Tip[]} tips
 * @param {boolean} hasLeads whether a line leads from each tip to its label; else the pen's swatch is shown
 */
export function drawMargin(sheet, group, tips, hasLeads) {
  /** @type {{y: number, draw: (y: number) => void}[]} */
  const labels = [];
  for (const limit of sheet.meta.limits) {
    /* Other limits were taken over: it is named where it ends. */
    if (typeof limit.until === "number" && limit.until < sheet.view[1]) drawEndedLimit(sheet, group, limit);
    else labels.push({ y: sheet.y(limit.row, limit.y), draw: (y) => drawLimit(sheet, group, limit, y) });
  }
  for (const tip of tips.filter(hasValue)) {
    const tipY = sheet.y(tip.row, tip.value);
    const draw = (/** @type {number} */ y) => drawValue(sheet, group, tip, y, hasLeads ? tipY : null);
    labels.push({ y: tipY, draw });
  }
  const wanted = labels.map((label) => label.y);
  const [low, high] = [sheet.top - 4, sheet.top + sheet.plotH + 4];
  const places = spreadLabels(wanted, sheet.meta.text * 1.56, low, high);
  labels.forEach((label, i) => label.draw(places[i]));
}

/** The size of the margin's small text. @param {Sheet} sheet */
function smallText(sheet) {
  return sheet.meta.text * 0.94;
}

/** @param {Sheet} sheet @param {DocumentFragment} group @param {LimitLine} limit @param {number} y */
function drawLimit(sheet, group, limit, y) {
  const small = smallText(sheet);
  const [markX, textX] = sheet.isNarrow ? [9, 18] : [15, 24];
  const x = (/** @type {number} */ px) => sheet.plotRight + (px * small) / 11;
  group.append(severityMark(limit.mark, x(markX), y, small));
  const room = sheet.width - x(textX) - (limit.pen ? SWATCH_PX + 2 : 0);
  const text =
    limit.texts.find((one) => sheet.textWidth(one, "limit") <= room) || limit.texts[limit.texts.length - 1];
  group.append(svg("text", { class: "limit", x: x(textX), y: y + small * 0.36 }, text));
  /* Where there is no room for the joint's name, its pen stands for it. */
  if (!limit.pen || text !== limit.texts[limit.texts.length - 1]) return;
  const x1 = x(textX) + sheet.textWidth(text, "limit") + 3;
  group.append(svg("line", { class: "swatch p" + limit.pen, x1, x2: x1 + SWATCH_PX, y1: y, y2: y }));
}

/** @param {Sheet} sheet @param {DocumentFragment} group @param {LimitLine} limit */
function drawEndedLimit(sheet, group, limit) {
  const { text } = sheet.meta;
  const [label] = limit.texts;
  const x = sheet.x(limit.until || 0) - 5;
  const y = sheet.y(limit.row, limit.y) - 4;
  const width = sheet.textWidth(label, ENDED);
  if (x - width - 1.4 * text < sheet.left) return;
  group.append(svg("text", { class: ENDED, x, y, "text-anchor": "end" }, label));
  group.append(severityMark(limit.mark, x - width - 0.7 * text, y - 0.36 * text, text * 0.94));
}

/**
 * @param {Sheet} sheet
 * @param {DocumentFragment} group
 * @param {ValuedTip} tip
 * @param {number} y
 * @param {number | null} tipY
 */
function drawValue(sheet, group, tip, y, tipY) {
  const { isNarrow, plotRight } = sheet;
  const row = sheet.meta.rows[tip.row];
  const cls = `p${tip.pen}${tip.other ? " other" : ""}${tip.dash ? ` d${tip.dash}` : ""}`;
  const x = plotRight + (isNarrow ? 13 : sheet.meta.form === "wide" ? 46 : 32);
  if (tipY === null) {
    const [x1, x2] = isNarrow ? [plotRight + 2, x - 3] : [plotRight + 7, x - 5];
    group.append(svg("line", { class: "swatch " + cls, x1, x2, y1: y, y2: y }));
  } else {
    const from = Math.min(plotRight, sheet.x(tip.at));
    const points = `${from},${tipY} ${Math.max(from, plotRight) + 6},${tipY} ${plotRight + 12},${y} ${x - 4},${y}`;
    group.append(svg("circle", { class: "tip " + cls, cx: from, cy: tipY, r: sheet.tipRadius }));
    group.append(svg("polyline", { class: "lead " + cls, points }));
  }
  const text = row.unit === "°C" ? formatTemperature(tip.value, row) : formatNumber(tip.value, row.decimals);
  const place = { x, y: y + smallText(sheet) * 0.48 };
  const value = svg("text", { class: tip.other ? "value other" : "value", ...place }, text);
  if (!isNarrow) value.append(svg("tspan", { class: "who", dx: WHO_APART_PX }, whoText(sheet, tip, x, text)));
  group.append(value);
}

/**
 * Whose a value is, in as many words as there is room for.
 * @param {Sheet} sheet
 * @param {ValuedTip} tip
 * @param {number} x where the value begins
 * @param {string} value
 */
function whoText(sheet, tip, x, value) {
  const room = sheet.width - x - sheet.textWidth(value, "value") - WHO_APART_PX - 2;
  const [other, mean] = [tip.other ? ", other" : "", tip.isMean ? ", mean" : ""];
  const fitted = (/** @type {string} */ words) =>
    sheet.fit(tip.label || tip.joint, "who", room - sheet.textWidth(words, "who")) + words;
  if (!tip.place) return fitted(other + mean);
  const joint = (tip.label || tip.joint) + other;
  const texts = [`${joint}, ${tip.place}${mean}`, `${joint}, ${tip.place}`, tip.place];
  return texts.find((one) => sheet.textWidth(one, "who") <= room) || sheet.fit(tip.place, "who", room);
}

/**
 * A temperature in whole units gets no decimal: none was measured.
 * @param {number} value
 * @param {{decimals: number}} row
 */
function formatTemperature(value, { decimals }) {
  return Number.isInteger(value) ? formatReading(value) : formatNumber(value, decimals);
}
