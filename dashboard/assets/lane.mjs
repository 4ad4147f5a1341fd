// @ts-check
/* The lane above the rows of a sheet: alerts, gaps, notes, events and the dragged span, in words where there
   is room. */
import { svg } from "./dom.mjs";
import { formatDuration } from "./format.mjs";
import { severityMark } from "./marks.mjs";

/* Who is written first where there is room for one. */
const RANK = { span: 0, alert: 1, gap: 2, note: 3, event: 4 };
const APART_PX = 10;
const LEAST_GAP_PX = 6;

/**
 * A mark of the lane; without an end it still goes on.
 * @typedef {{x0: number, x1: number | null, text: string, mark: string, kind: keyof typeof RANK}} LaneMark
 */
/** @typedef {import("./sheet.mjs").Sheet} Sheet */

/** @param {Sheet} sheet @param {DocumentFragment} group @param {[number, number] | null} span */
export function drawLane(sheet, group, span) {
  /** @type {LaneMark[]} */
  const marks = [...sheet.meta.lane];
  if (span) {
    const [x0, x1] = span;
    marks.push({ x0, x1, text: formatDuration(x1 - x0), mark: "", kind: "span" });
  }
  marks.sort((a, b) => RANK[a.kind] - RANK[b.kind] || b.x0 - a.x0);
  /** What is taken of each line, from below. @type {[number, number][][]} */
  const lines = sheet.isNarrow ? [[], [], []] : [[], []];
  for (const mark of marks) drawMark(sheet, group, mark, lines);
}

/** @param {Sheet} sheet @param {DocumentFragment} group @param {LaneMark} mark @param {[number, number][][]} lines */
function drawMark(sheet, group, mark, lines) {
  const { left, plotRight, meta } = sheet;
  const x0 = sheet.x(mark.x0);
  const x1 = mark.x1 === null ? plotRight : sheet.x(mark.x1);
  if (x1 < left || x0 > plotRight + 1) return;
  const [seen0, seen1] = [Math.max(x0, left), Math.min(x1, plotRight)];
  if (mark.kind === "gap" && seen1 - seen0 < LEAST_GAP_PX) return;
  const isOpenGap = mark.kind === "gap" && mark.x1 === null;
  const isNote = mark.kind === "note" || mark.kind === "event";
  const cls = mark.kind === "note" ? "hand halo" : "said halo";
  const size = meta.text * 1.05;
  const indent = mark.mark ? size * 1.4 : 0;
  const said = mark.text + (isOpenGap ? formatDuration(sheet.view[1] - mark.x0) : "");
  const text = sheet.fit(said, cls, Math.min(sheet.width, plotRight + sheet.right * 0.9) - indent - 2);
  const width = sheet.textWidth(text, cls) + indent;
  const isCentred = mark.kind === "gap" || mark.kind === "span";
  const wanted = isCentred ? (seen0 + seen1) / 2 - width / 2 : seen0 + (isNote ? 6 : 0);
  const rightmost = Math.min(sheet.width - 2, plotRight + sheet.right * 0.9) - width;
  const at = Math.min(Math.max(wanted, 0), rightmost);
  const isFree = (/** @type {[number, number]} */ [from, to]) => at > to + APART_PX || at + width < from - APART_PX;
  const line = lines.findIndex((taken) => taken.every(isFree));
  if (line < 0) return;
  lines[line].push([at, at + width]);
  const lineHeight = Math.round(meta.text * 1.5);
  const base = sheet.top - 10 - (sheet.isNarrow ? Math.round(meta.title * 1.4) : 0);
  const y = base - line * lineHeight;
  if (mark.mark) group.append(severityMark(mark.mark, at + size / 2, y - size * 0.36, size));
  /* Below all words, whose rims interrupt it. */
  if (isNote)
    group.prepend(svg("line", { class: "note-up", x1: x0, x2: x0, y1: y - lineHeight * 0.8, y2: sheet.top }));
  group.append(svg("text", { class: cls, x: at + indent, y }, text));
}
