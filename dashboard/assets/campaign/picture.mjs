// @ts-check
/* The picture of a campaign: stages, rows of figures with pauses folded, faults of each day. Every mark in it that
   stands for a span is a link to it in Replay. */
import { svg } from "../dom.mjs";
import { RunningAxis, dayColumns, foldsBefore, roomFor } from "./axis.mjs";
import { linked, textWidth } from "./linked.mjs";
import { drawChanges, drawRow } from "./row.mjs";

/** @typedef {import("./answers.d.ts").Picture} Picture */
/** @typedef {import("./axis.mjs").RunningAxis} Axis */

const WIDE = { left: 152, words: 112, right: 176, plot: 84, above: 10, gap: 18 };
const NARROW = { left: 36, words: 10, right: 6, plot: 64, above: 24, gap: 10 };
const FAR = 1800;
const FAR_ZOOM = 1.4;
const TICK = 12;
/** Narrower than this a fold is a crease: one line. */
const PAPER = 5;
const MOST_NAMED = 12;
const LEDGER_LINE = 19;
const DAY_WIDTH = 24;
const NOTCH = 5;
/** With fewer columns than this share of the days, several days stand in most. */
const SUMMED_SHARE = 0.7;

/**
 * Draws a campaign for a width.
 * @param {Picture} picture
 * @param {{width: number, pen: number, asItCame: boolean}} how
 */
export function drawCampaign(picture, { width: shown, pen, asItCame }) {
  /* Far away it is read from across the room: the same picture, larger. */
  const zoom = shown >= FAR ? FAR_ZOOM : 1;
  const width = shown / zoom;
  const isNarrow = width < 700;
  const form = isNarrow ? NARROW : WIDE;
  const ticks = picture.rows.flatMap((row) => row.ticks.map(([, text]) => textWidth(text, TICK)));
  const left = Math.max(form.left, form.words + Math.max(0, ...ticks));
  const axis = new RunningAxis(picture.hours, picture.folds.length, left, width - form.right);
  const parts = [...drawStages(picture, axis, { width, isNarrow }), ...drawFoldNames(picture, axis, width)];
  const top = 66;
  let y = top;
  /** @type {SVGElement[]} */
  const rows = [];
  /** @type {SVGElement[]} */
  const changes = [];
  /* On a narrow screen words stand between the rows, where no fold may lie over them. */
  const strips = /** @type {[number, number][]} */ ([]);
  for (const row of picture.rows) {
    y += form.above;
    strips.push([y, y + form.plot]);
    const place = { y, height: form.plot, isNarrow, asItCame, width, folds: picture.folds };
    rows.push(drawRow(row, axis, place));
    changes.push(...drawChanges(row, axis, place));
    y += form.plot + form.gap;
  }
  const kinds = shownKinds(picture);
  const bottom = y;
  const ledger = drawLedger(picture, axis, { y: y + 4, kinds, isNarrow });
  y += 4 + (isNarrow ? 18 : 0) + Math.max(kinds.length, 1) * LEDGER_LINE + 6;
  const across = isNarrow ? strips : [/** @type {[number, number]} */ ([top, bottom])];
  for (const [from, to] of across) parts.push(...drawYesterday(picture, axis, from, to));
  parts.push(...rows);
  for (const [from, to] of across) parts.push(...drawFolds(picture, axis, from, to));
  parts.push(...changes);
  parts.push(...ledger, ...drawDates(picture, axis, y, isNarrow));
  const height = y + 40;
  const drawn = svg("svg", {
    viewBox: `0 0 ${width} ${height}`,
    width: shown,
    height: height * zoom,
    class: `campaign-picture pen-${pen}`,
    role: "group",
    "aria-label":
      `${picture.rows.length} figures over ${Math.round(picture.hours)} running hours, ` +
      `${picture.folds.length} pauses folded`,
  });
  drawn.append(...parts);
  return drawn;
}

/** @param {Picture} picture @param {Axis} axis @param {{width: number, isNarrow: boolean}} how */
function drawStages({ stages, next }, axis, { width, isNarrow }) {
  /** @type {SVGElement[]} */
  const parts = [];
  if (!isNarrow) parts.push(svg("text", { x: 0, y: 19, class: "title" }, "Stage"));
  const labels = stages.map(({ text, name, from, to, on }) => {
    const [begin, end] = [axis.x(from), axis.x(to)];
    parts.push(svg("line", { x1: begin, x2: end, y1: 21, y2: 21, class: on ? "stage on" : "stage" }));
    const said = textWidth(text, 16) <= end - begin ? text : name;
    const length = textWidth(said, 16);
    return { x: begin + length / 2, width: length, text: said, on };
  });
  const nextWidth = isNarrow ? 0 : textWidth(next, 14);
  const until = isNarrow ? width : Math.min(axis.right, width - nextWidth);
  for (const { x, text } of roomFor(
    labels.sort((one, other) => Number(other.on) - Number(one.on)),
    axis.left,
    until,
  ))
    parts.push(svg("text", { x, y: 14, class: "stage-name" }, text));
  if (stages.some(({ on }) => on))
    parts.push(svg("line", { x1: axis.right, x2: width, y1: 21, y2: 21, class: "to-come" }));
  if (next && !isNarrow) parts.push(svg("text", { x: width, y: 14, class: "next" }, next));
  return parts;
}

/** @param {Picture} picture @param {Axis} axis @param {number} width */
function drawFoldNames({ folds, yesterday, rows }, axis, width) {
  const isMany = folds.length > MOST_NAMED;
  const labels = folds
    .map(({ at, length, reason, long, noted }, number) => ({
      x: axis.x([at, number]) + axis.fold / 2,
      width: Math.max(textWidth(length, 12), textWidth(reason, 14)),
      length,
      reason,
      long,
      noted,
    }))
    /* Of the nights of months one is as good as any other; what somebody wrote down is not. */
    .filter((one) => !isMany || one.noted)
    .sort((one, other) => other.long - one.long);
  const edge = axis.x(yesterday);
  const word = {
    x: (edge + axis.right) / 2,
    width: textWidth("since yesterday", 12),
    length: "",
    reason: "",
    long: 0,
  };
  const isOld = edge > axis.left && rows.length;
  const kept = roomFor(isOld ? [word, ...labels] : labels, 0, Math.min(axis.right + 60, width));
  return kept.flatMap(({ x, length, reason }) =>
    length
      ? [
          svg("text", { x, y: 42, class: "fold-length" }, length),
          svg("text", { x, y: 57, class: "fold-reason" }, reason),
        ]
      : [svg("text", { x, y: 57, class: "fold-length" }, "since yesterday")],
  );
}

/** @param {Picture} picture @param {Axis} axis @param {number} top @param {number} bottom */
function drawFolds({ folds }, axis, top, bottom) {
  return folds.map(({ at, length, reason, when, href }, number) => {
    const left = axis.x([at, number]);
    const [right, middle] = [left + axis.fold, left + axis.fold / 2];
    const notch = Math.min(NOTCH, axis.fold / 2);
    const said = `Pause of ${length}${reason ? `, ${reason}` : ""}: ${when}`;
    if (axis.fold < PAPER) {
      const line = svg("line", { x1: middle, x2: middle, y1: top, y2: bottom, class: "crease" });
      const crease = linked(href, said, [line]);
      /* Dozens of stops on the way through a page help nobody: the days below lead there as well. */
      crease.setAttribute("tabindex", "-1");
      return crease;
    }
    const edges = `M${left} ${top} L${middle} ${top + notch} L${right} ${top}`;
    const path = `${edges} V${bottom} L${middle} ${bottom - notch} L${left} ${bottom} Z`;
    return linked(href, said, [svg("path", { d: path, class: "fold" })]);
  });
}

/** @param {Picture} picture @param {Axis} axis @param {number} top @param {number} bottom */
function drawYesterday({ yesterday, rows }, axis, top, bottom) {
  const [left, right] = [axis.x(yesterday), axis.right];
  /* Of less than a day everything is new. */
  if (right - left < 1 || left <= axis.left || !rows.length) return [];
  const bracket = (/** @type {number} */ x, /** @type {number} */ way) =>
    svg("path", { d: `M${x + way * 5} ${top} H${x} V${bottom} H${x + way * 5}`, class: "bracket" });
  const veil = svg("rect", { x: left, y: top, width: right - left, height: bottom - top, class: "veil" });
  return [veil, bracket(left, 1), bracket(right, -1)];
}

/** The kinds that were counted at all, by their places. @param {Picture} picture */
function shownKinds({ kinds }) {
  return kinds.flatMap(({ label, total }, at) => (total ? [{ label, total, at }] : []));
}

/**
 * @param {Picture} picture
 * @param {Axis} axis
 * @param {{y: number, kinds: {label: string, total: number, at: number}[], isNarrow: boolean}} how
 */
function drawLedger({ days }, axis, { y, kinds, isNarrow }) {
  const columns = dayColumns(days, axis, DAY_WIDTH);
  const each = columns.length < SUMMED_SHARE * days.length ? "summed over days" : "each day";
  const sums = kinds.map(({ label, total }) => `${label}, ${total}`).join("; ");
  /** @type {SVGElement[]} */
  const parts = [];
  if (isNarrow) {
    parts.push(svg("text", { x: 0, y: y + 12, class: "title" }, "Faults"));
    parts.push(svg("text", { x: 50, y: y + 12, class: "unit" }, `${each}: ${sums || "none"}`));
  } else {
    parts.push(svg("text", { x: 0, y: y + 13, class: "title" }, "Faults"));
    parts.push(svg("text", { x: 0, y: y + 29, class: "unit" }, kinds.length > 1 ? each : ""));
    if (kinds.length < 2) parts.push(svg("text", { x: 52, y: y + 13, class: "unit" }, each));
  }
  let line = y + (isNarrow ? 18 : 0) + 13;
  if (!kinds.length) {
    const none = "no fault, reset, brown-out, trip or broken cycle";
    parts.push(svg("text", { x: axis.left, y: line, class: "unit" }, none));
  }
  for (const { label, total, at } of kinds) {
    for (const column of columns) {
      const x = (column.from + column.to) / 2;
      const count = column.counts[at];
      const when = column.label === column.last ? column.label : `${column.label} to ${column.last}`;
      if (!count) parts.push(svg("text", { x, y: line, class: "nought" }, "·"));
      else {
        const digit = svg("text", { x, y: line, class: "count" }, String(count));
        parts.push(linked(column.href, `${count} ${label}, ${when}`, [digit]));
      }
    }
    if (!isNarrow) parts.push(svg("text", { x: axis.right + 24, y: line, class: "sum" }, `${label}, ${total}`));
    parts.push(svg("line", { x1: axis.left, x2: axis.right, y1: line + 5, y2: line + 5, class: "grid" }));
    line += LEDGER_LINE;
  }
  return parts;
}

/** @param {Picture} picture @param {Axis} axis @param {number} y @param {boolean} isNarrow */
function drawDates({ days, folds, hours }, axis, y, isNarrow) {
  /** @type {SVGElement[]} */
  const parts = [svg("line", { x1: axis.left, x2: axis.right, y1: y, y2: y, class: "axis" })];
  if (!isNarrow) {
    parts.push(svg("text", { x: 0, y: y + 15, class: "unit" }, "date"));
    parts.push(svg("text", { x: 0, y: y + 31, class: "unit" }, "running"));
  }
  for (const { from } of days) {
    const x = axis.x(from);
    parts.push(svg("line", { x1: x, x2: x, y1: y, y2: y + 4, class: "axis" }));
  }
  /* A date stands at its tick: a day of running begins at any hour, so most of it may be the next date. */
  const dates = days.map(({ from, label }) => {
    const width = textWidth(label, 12);
    return { x: axis.x(from) + width / 2, width, label };
  });
  for (const { x, label } of roomFor(dates, axis.left, axis.right))
    parts.push(svg("text", { x, y: y + 15, class: "date" }, label));
  const end = hours < 1 ? `${Math.round(60 * hours)} min` : `${hours < 10 ? hours.toFixed(1) : Math.round(hours)} h`;
  const ticks = axis.ticks(isNarrow ? 70 : 110).map((hour) => ({
    x: axis.x([hour, foldsBefore(folds, hour)]),
    width: 40,
    text: `${hour} h`,
  }));
  const running = [{ x: axis.right - textWidth(end, 12) / 2, width: textWidth(end, 12), text: end }, ...ticks];
  for (const { x, text } of roomFor(running, axis.left, axis.right))
    parts.push(svg("text", { x, y: y + 31, class: "tick-hour" }, text));
  return parts;
}
