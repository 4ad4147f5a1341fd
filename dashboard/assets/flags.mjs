// @ts-check
/* The flags of a sheet: whose and which each is, how often it came on and for what share of the time, and blocks
   as tall as the share of each bucket in which it was on: one path, however often it chatters. */
import { svg } from "./dom.mjs";
import { formatFlag } from "./format.mjs";

const SWATCH_PX = 12;
/* Within a flag's height, from below: where its blocks begin and end, and where its words stand. */
const [BLOCKS_FROM, BLOCKS_TO, WORDS_AT] = [0.1, 0.46, 0.58];

/**
 * A flag of a row: how often it came on (`least`: at least so often), the share of the time in which it was on (null:
 * not known), and the heights of its blocks from `start` on, each `width` seconds wide (null: not on).
 * @typedef {{joint: string, label: string, channel: string, name: string, pen: number, other: boolean,
 *   count: number, least: boolean, share: number | null, start: number, width: number,
 *   heights: (number | null)[]}} FlagMeta
 */
/** @typedef {import("./sheet.mjs").Sheet} Sheet */

/**
 * The outline of a flag's blocks, each run of them one polygon of steps.
 * @param {Pick<FlagMeta, "start" | "width" | "heights">} flag
 * @param {(seconds: number) => number} x
 * @param {(height: number) => number} y
 */
export function blocksPath({ start, width, heights }, x, y) {
  const at = (/** @type {number} */ place) => Math.round(10 * x(start + place * width)) / 10;
  let path = "";
  heights.forEach((height, i) => {
    if (height === null) return;
    path += (i && heights[i - 1] !== null ? "V" : `M${at(i)},${y(0)}V`) + y(height) + "H" + at(i + 1);
    if (heights[i + 1] === null || i + 1 === heights.length) path += `V${y(0)}Z`;
  });
  return path;
}

/** Draws all flags. @param {Sheet} sheet @param {DocumentFragment} group */
export function drawFlags(sheet, group) {
  const room = sheet.plotW - SWATCH_PX - 5;
  sheet.meta.rows.forEach((/** @type {{flags?: FlagMeta[]}} */ { flags = [] }, /** @type {number} */ row) => {
    const forms = flags.map(flagTexts);
    /* All in one form, the longest for which there is room. */
    const fits = (/** @type {number} */ form) =>
      forms.every((texts) => sheet.textWidth(texts[form], "said halo") <= room);
    const form = [0, 1].find(fits) ?? 2;
    flags.forEach((flag, k) => drawFlag(sheet, group, flag, forms[k][form], row, flags.length - 1 - k));
  });
}

/** What is written beside a flag, in ever shorter forms. @param {FlagMeta} flag */
function flagTexts({ label, name, other, count, least, share }) {
  const figures = formatFlag(count, share ?? NaN, least);
  const who = label + (other ? ", other" : "");
  return [`${who}, ${name}: ${figures}`, `${name}: ${figures}`, name];
}

/**
 * @param {Sheet} sheet
 * @param {DocumentFragment} group
 * @param {FlagMeta} flag
 * @param {string} text
 * @param {number} row
 * @param {number} base the lower edge of its height, on the row's axis
 */
function drawFlag(sheet, group, flag, text, row, base) {
  const { left, plotRight, meta } = sheet;
  const inPlot = (/** @type {number} */ seconds) => Math.min(Math.max(sheet.x(seconds), left), plotRight);
  const atHeight = (/** @type {number} */ height) =>
    Math.round(10 * sheet.y(row, base + BLOCKS_FROM + (BLOCKS_TO - BLOCKS_FROM) * height)) / 10;
  const d = blocksPath(flag, inPlot, atHeight);
  if (d) group.append(svg("path", { class: flag.other ? "flag other" : "flag", d }));
  const y = sheet.y(row, base + WORDS_AT);
  const y1 = y - meta.text * 0.32;
  const cls = `swatch p${flag.pen}${flag.other ? " other" : ""}`;
  group.append(svg("line", { class: cls, x1: left, x2: left + SWATCH_PX, y1, y2: y1 }));
  group.append(svg("text", { class: "said halo", x: left + SWATCH_PX + 5, y }, text));
}
