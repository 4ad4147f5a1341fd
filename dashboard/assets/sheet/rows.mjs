// @ts-check
/* The rows of the Data sheet page: claims with what was measured. */
import { html, renderSentence } from "../dom.mjs";
import { drawPlumb, drawTrend } from "./plumb.mjs";

/** @typedef {import("./answers.d.ts").ClaimRow} ClaimRow */
/** @typedef {import("./answers.d.ts").SheetAnswer} SheetAnswer */

const MOST_SOURCES = 3;

/** @param {SheetAnswer} answer @param {string} pen */
export function claimRows(answer, pen) {
  if (!answer.rows.length) return [];
  const [first, last] = answer.dates.length && answer.dates[0] !== answer.dates[1] ? answer.dates : ["", ""];
  const scale = html("span", "plumb-head", [
    html("span", "worse", "worse"),
    html("b", "", "as claimed"),
    html("span", "better", "better"),
    html("small", "low-hair", "10 %"),
    html("small", "high-hair", "10 %"),
  ]);
  const head = html("div", "claim head", [
    html("span", "", "what"),
    html("span", "claimed", "claimed"),
    html("span", "", "measured, 95 %"),
    answer.rows.some(({ claimed }) => claimed) ? scale : html("span", ""),
    html("span", "", "verdict"),
    html("span", "from", "why, and from what"),
    html("span", "dates", [html("span", "", first), html("span", "", last)]),
    html("span", "note", "note"),
  ]);
  return [head, ...answer.rows.map((row, at) => claimRow(row, pen, at + 1))];
}

/** @param {ClaimRow} row @param {string} pen @param {number} note its number on paper */
function claimRow(row, pen, note) {
  const what = html("h3", "what", [row.label, html("small", "", row.condition)]);
  const claimed = row.claimed
    ? html("span", "claimed", [row.claimed, unit(row.claimed_unit)])
    : html("small", "claimed", "no claim");
  const measured = row.value
    ? html("span", "measured", [html("b", "", row.value), unit(row.unit), html("small", "", ` (${row.interval})`)])
    : html("span", "measured", "–");
  const said = `${row.label}: ${row.verdict || "no claim"}`;
  const plumb = row.claimed
    ? drawPlumb(row.mark === "none" ? null : row.bar, { pen, words: said })
    : html("div", "plumb without");
  const verdict = html("span", `verdict ${row.mark}`, [
    ...(row.mark ? [html("span", "mark " + row.mark), " "] : []),
    html(
      row.mark === "none" || row.mark === "open" || !row.mark ? "span" : "b",
      "",
      row.verdict || "nothing to judge",
    ),
    ...(row.by ? [html("small", "", ` (${row.by})`)] : []),
  ]);
  const why = html("div", "why", [renderSentence(row.why && row.why + ". "), ...sourceLinks(row)]);
  const dates = html("div", "course", row.trend ? [drawTrend(row.trend, row.trend_text)] : []);
  if (row.trend_text) dates.append(html("small", "", row.trend_text));
  return html("div", "claim", [
    what,
    claimed,
    measured,
    plumb,
    verdict,
    why,
    dates,
    html("span", "note", String(note)),
  ]);
}

/** What paper has in place of links: a note for each row. @param {ClaimRow[]} rows */
export function printedNotes(rows) {
  return rows.map(({ why, sources }) => {
    const from = sources.length ? `From ${sources.map(({ text }) => text).join(", ")}.` : "";
    return html("li", "", [renderSentence([why && why + ".", from].filter(Boolean).join(" ") || "–")]);
  });
}

/** @param {string} text */
export function unit(text) {
  return html("i", "u", text);
}

/** @param {ClaimRow} row */
function sourceLinks({ sources }) {
  const parts = /** @type {(Node | string)[]} */ ([]);
  for (const { text, href } of sources.slice(0, MOST_SOURCES)) {
    if (parts.length) parts.push(", ");
    const link = html(href ? "a" : "span", "", text);
    if (link instanceof HTMLAnchorElement) link.href = href;
    parts.push(link);
  }
  const more = sources.length - MOST_SOURCES;
  if (more > 0) parts.push(` and ${more} more`);
  return parts;
}
