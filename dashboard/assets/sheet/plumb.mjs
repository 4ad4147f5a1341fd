// @ts-check
/* The plumb line: what the maker says, with each measured interval left or right of it, in per cent. And a
   quantity over dates. Drawn in shares of their box, so that they need no size. */
import { clamp, html, svg } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Bar} Bar */
/** @typedef {import("./answers.d.ts").TrendPicture} TrendPicture */

/** Per cent from the line to either end of the scale. */
const REACH = 20;
const HAIR = 10;
const EDGE_SHARE = 20;
/** So much of the width a bar's words take: nearer to the claim's line they would lie over it. */
const WORDS_SHARE = 20;

/** Where a per cent lies on the scale, as a share in per cent of its width. @param {number} percent */
export function placeOf(percent) {
  return 50 + (50 * clamp(percent, -REACH, REACH)) / REACH;
}

/**
 * One row's piece of the line; the pieces of neighbouring rows join.
 * @param {Bar | null} bar
 * @param {{pen: string, words: string}} how the bar's pen; what it shows, in words
 */
export function drawPlumb(bar, { pen, words }) {
  const line = html("div", `plumb ${pen}`);
  line.setAttribute("role", "img");
  line.setAttribute("aria-label", words);
  for (const at of [-HAIR, HAIR]) line.append(placed("hair", at));
  line.append(placed("said", 0));
  if (!bar) return line;
  const [from, to] = [placeOf(bar.low), placeOf(bar.high)];
  const reach = html("span", "bar");
  reach.style.left = from + "%";
  reach.style.width = to - from + "%";
  /* An end beyond the scale has no stroke: the bar goes on. */
  if (bar.low < -REACH) reach.classList.add("over-low");
  if (bar.high > REACH) reach.classList.add("over-high");
  line.append(reach);
  if (Math.abs(bar.value) <= REACH) line.append(placed("dot", bar.value));
  if (bar.text) {
    const text = html("small", "", bar.text);
    const { side, at } = wordsPlace(bar);
    text.style[side] = `calc(${side === "left" ? at : 100 - at}% + 6px)`;
    line.append(text);
  }
  return line;
}

/**
 * Where the words of a bar stand: beside its outer end, but for one that would leave the scale there. Never over the
 * claim's line.
 * @param {{low: number, value: number, high: number}} bar
 * @returns {{side: "left" | "right", at: number}} the edge of the words that lies at a share of the width
 */
export function wordsPlace({ low, value, high }) {
  const [from, to] = [placeOf(low), placeOf(high)];
  const isLeft = value < 0 ? from > EDGE_SHARE : to > 100 - EDGE_SHARE;
  if (isLeft) return { side: "right", at: from > 50 && from < 50 + WORDS_SHARE ? 50 : from };
  return { side: "left", at: to < 50 && to > 50 - WORDS_SHARE ? 50 : to };
}

/** @param {string} cls @param {number} percent */
function placed(cls, percent) {
  const element = html("span", cls);
  element.style.left = placeOf(percent) + "%";
  return element;
}

const WIDTH = 124;
const HEIGHT = 34;
const EDGE = 6;

/**
 * Findings over dates, each with its interval; the claim dotted where it is in reach.
 * @param {TrendPicture} trend
 * @param {string} words
 */
export function drawTrend({ points, claim }, words) {
  const x = (/** @type {number} */ share) => EDGE + share * (WIDTH - 2 * EDGE);
  const y = (/** @type {number} */ share) => HEIGHT - EDGE - share * (HEIGHT - 2 * EDGE);
  const picture = svg("svg", {
    viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
    class: "over-dates",
    role: "img",
    "aria-label": words || "over dates",
  });
  if (claim !== null) picture.append(svg("line", { x1: 0, x2: WIDTH, y1: y(claim), y2: y(claim), class: "claimed" }));
  const path = points.map(([at, , value]) => `${x(at)},${y(value)}`).join(" ");
  picture.append(svg("polyline", { points: path, class: "course" }));
  for (const [at, low, value, high] of points) {
    picture.append(svg("line", { x1: x(at), x2: x(at), y1: y(low), y2: y(high), class: "reach" }));
    picture.append(svg("circle", { cx: x(at), cy: y(value), r: 2.4, class: "dot" }));
  }
  return picture;
}
