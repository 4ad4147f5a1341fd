// @ts-check
/* Joints beside each other on the Data sheet page. Two are a table of differences. Of more, every joint of a quantity
   hangs on one scale, and the pairs lie folded below. */
import { html } from "../dom.mjs";
import { drawPlumb } from "./plumb.mjs";
import { unit } from "./rows.mjs";

/** @typedef {import("./answers.d.ts").Compared} Compared */
/** @typedef {import("./answers.d.ts").ComparedQuantity} ComparedQuantity */
/** @typedef {import("./answers.d.ts").DifferenceRow} DifferenceRow */
/** @typedef {import("./answers.d.ts").ScaledJoint} ScaledJoint */

/** @param {Compared} compared */
export function comparedContent({ names, quantities }) {
  if (names.length > 2) return quantities.map(quantityBlock);
  const rows = quantities.flatMap(({ rows }) => rows);
  if (!rows.length) return [];
  const [first, second] = rows[0].names;
  return [
    differenceHead("what", [first, second, `${second} less ${first}`]),
    ...rows.map((row) => differenceRow(row, html("h3", "what", [row.label, unit(" " + row.unit)]))),
  ];
}

/** @param {ComparedQuantity} quantity */
function quantityBlock(quantity) {
  const { label, joints, ticks, rows } = quantity;
  const words = apartWords(quantity);
  const claimed = claimWords(joints);
  const scale = html("div", "on-scale");
  scale.setAttribute("role", "img");
  scale.setAttribute("aria-label", `${label}: ${joints.map(({ name, value }) => `${name} ${value}`).join(", ")}`);
  scale.append(...joints.map((joint) => scaledJoint(joint, ticks)), scaleFoot(ticks));
  const pairs = html("details", "pairs", [
    html("summary", "", rows.length === 1 ? "the pair" : `${rows.length} pairs`),
    differenceHead("which", ["the former", "the latter", "the former less the latter"]),
    ...rows.map((row) => differenceRow(row, html("span", "what", `${row.names[1]} less ${row.names[0]}`), true)),
  ]);
  return html("section", "compared-quantity", [
    html("h3", "what", [label, unit(" " + quantity.unit)]),
    html("div", "among", [
      scale,
      html("p", quantity.apart.length ? "apart" : "", words),
      ...(claimed ? [html("p", "", claimed)] : []),
      pairs,
    ]),
  ]);
}

/** What stands out, in words. @param {ComparedQuantity} quantity */
export function apartWords({ apart, needed, unit: unitText }) {
  if (!apart.length) {
    return `No two differ by more than chance; that takes ${needed}${unitText ? " " + unitText : ""}.`;
  }
  const parts = apart.map(({ name, above }) => `${name} above ${above.join(" and ")}`);
  return `More than chance: ${parts.join("; ")}.`;
}

/** What is claimed of them: the upright line. @param {ScaledJoint[]} joints */
export function claimWords(joints) {
  const claimed = joints.filter((joint) => joint.claimed);
  const [first] = claimed;
  if (!first) return "";
  const isSame = claimed.every((joint) => joint.claimed === first.claimed);
  if (!isSame) return `Claimed: ${claimed.map((joint) => `${joint.name} ${joint.claimed}`).join(", ")}.`;
  return first.claim === null ? `Claimed: ${first.claimed}, off the scale.` : `Upright: claimed ${first.claimed}.`;
}

/** @param {string} cls @param {number} share @param {string} [text] */
function atShare(cls, share, text) {
  const element = html("span", cls, text);
  element.style.left = 100 * share + "%";
  return element;
}

/** The scale's values below its joints. @param {ComparedQuantity["ticks"]} ticks */
function scaleFoot(ticks) {
  const texts = ticks.map(({ at, text }) => atShare("tick", at, text));
  return html("div", "scaled foot", [html("span"), html("span"), html("div", "ticks", texts)]);
}

/** @param {ScaledJoint} joint @param {ComparedQuantity["ticks"]} ticks */
function scaledJoint({ name, pen: number, value, interval, low, at, high, claim }, ticks) {
  const pen = number ? `pen-${number}` : "ink";
  const bar = html("span", "bar");
  bar.style.left = 100 * low + "%";
  bar.style.width = 100 * (high - low) + "%";
  return html("div", `scaled ${pen}`, [
    html("span", "who", [html("span", `pen ${pen}`), " ", name]),
    html("span", "value", [html("b", "", value), html("small", "", ` (${interval})`)]),
    html("div", "plumb", [
      ...ticks.map((tick) => atShare("hair", tick.at)),
      ...(claim === null ? [] : [atShare("said", claim)]),
      bar,
      atShare("dot", at),
    ]),
  ]);
}

/** @param {string} what @param {string[]} names of the three columns of figures */
function differenceHead(what, names) {
  const scale = html("span", "plumb-head", [
    html("span", "worse", "less"),
    html("b", "", "no difference"),
    html("span", "better", "more"),
    html("small", "low-hair", "10 %"),
    html("small", "high-hair", "10 %"),
  ]);
  return html("div", "difference head", [
    html("span", "", what),
    ...names.map((name) => html("span", "", name)),
    scale,
    html("span", "", ""),
  ]);
}

/** To the traces of both over each other, in Replay. @param {string} href */
function tracesLink(href) {
  const link = html("a", "traces", "traces over each other");
  link.href = href;
  return link;
}

/**
 * @param {DifferenceRow} row
 * @param {HTMLElement} what the row's head
 * @param {boolean} [isNamed] whether the head names both, the second first: then so do its figures
 */
function differenceRow(row, what, isNamed = false) {
  const [first, second] = row.names;
  const value = (/** @type {string[]} */ [shown, interval], /** @type {string} */ name) =>
    html("span", "value", [html("small", "who", name), html("b", "", shown), html("small", "", ` (${interval})`)]);
  const words = row.more ? "more than chance" : "may be chance";
  return html("div", "difference", [
    what,
    ...(isNamed
      ? [value(row.second, second), value(row.first, first)]
      : [value(row.first, first), value(row.second, second)]),
    value([row.difference, row.interval], `${second} less ${first}`),
    drawPlumb(row.bar, { pen: "ink", words: `${row.label}: ${words}` }),
    html("span", "chance", [
      html(row.more ? "b" : "span", "", words),
      ...(row.shared ? [html("small", "", `${row.shared}, the same, cancels`)] : []),
      ...(row.traces ? [tracesLink(row.traces)] : []),
    ]),
  ]);
}
