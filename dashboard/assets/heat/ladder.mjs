// @ts-check
/* The ladder: height is temperature, a rung is 2 K, the length of a beam is its heat capacity. */
import { svg } from "../dom.mjs";

const WIDTH = 460;
const HEIGHT = 400;
const LEFT = 62;
const TOP = 22;
const FOOT = 356;
const APART = 15;
const RUNG_K = 2;
const MOST_RUNGS = 60;
const BEAM = 10;
const LONGEST_BEAM = 130;
const TEXT_LEFT = 216;
const LINE = 16;
const UNKNOWN_BEAM = 70;
const LEAST_BEAM = 27;
const ROUND_K = [1, 2, 5, 10, 20, 25, 50];

/** @typedef {import("./answers.d.ts").Ladder} Ladder */

/** @param {number} low @param {number} high */
function degreeTicks(low, high) {
  const step = ROUND_K.find((one) => (high - low) / one <= 6) || 50;
  const ticks = [];
  for (let at = Math.ceil(low / step) * step; at <= high + 1e-9; at += step) ticks.push(at);
  return ticks;
}

/**
 * Puts blocks of lines below each other: each where it belongs, or as near below it as there is room.
 * @param {{at: number, parts: SVGElement[]}[]} blocks from the top
 */
function placeBlocks(blocks) {
  let free = -Infinity;
  return blocks.map(({ at, parts }) => {
    const first = Math.max(at, free);
    free = first + parts.length * LINE + 10;
    return first;
  });
}

/** @param {Ladder} ladder @param {number} pen */
export function drawLadder(ladder, pen) {
  const known = ladder.nodes.filter((node) => node.degC !== null);
  const low = ladder.ambient.degC;
  const high = Math.max(...known.map((node) => /** @type {number} */ (node.degC)), low + 1);
  const isTopKnown = known.length === ladder.nodes.length;
  const roof = high + (isTopKnown ? 0.06 : 0.3) * (high - low);
  const y = (/** @type {number} */ degC) => FOOT - ((degC - low) / (roof - low)) * (FOOT - TOP);
  const picture = svg("svg", {
    viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
    class: `over ladder-picture pen-${pen}`,
    role: "img",
    "aria-label": "From the top: " + ladder.nodes.map((node) => node.name).join(", ") + ", ambient",
  });
  const add = (/** @type {SVGElement[]} */ ...parts) => picture.append(...parts);
  const line = (/** @type {Record<string, string | number>} */ how) => svg("line", how);
  add(line({ x1: LEFT - 12, x2: LEFT - 12, y1: TOP, y2: FOOT, class: "axis" }));
  add(svg("text", { x: LEFT - 18, y: TOP - 8, "text-anchor": "end", class: "tick" }, "°C"));
  for (const at of degreeTicks(low, roof)) {
    add(line({ x1: LEFT - 16, x2: LEFT - 12, y1: y(at), y2: y(at), class: "axis" }));
    add(svg("text", { x: LEFT - 20, y: y(at) + 4, "text-anchor": "end", class: "tick" }, String(at)));
  }
  const left = LEFT + 4;
  const right = left + APART;
  const step = Math.max(RUNG_K, (high - low) / MOST_RUNGS);
  for (const x of [left, right]) add(line({ x1: x, x2: x, y1: y(high), y2: FOOT, class: "upright" }));
  for (let at = low + step; at < high; at += step)
    add(line({ x1: left, x2: right, y1: y(at), y2: y(at), class: "rung" }));
  const most = Math.max(...known.map((node) => node.beam || 0), 1);
  for (const node of known) {
    const length = node.beam ? Math.max(LEAST_BEAM, (node.beam / most) * LONGEST_BEAM) : UNKNOWN_BEAM;
    const at = y(/** @type {number} */ (node.degC));
    add(
      svg("rect", {
        x: left - 6,
        y: at - BEAM / 2,
        width: length,
        height: BEAM,
        class: node.beam ? "beam" : "beam open",
      }),
    );
  }
  if (!isTopKnown) {
    for (const x of [left, right]) add(line({ x1: x, x2: x, y1: TOP, y2: y(high) - 6, class: "upright unknown" }));
    const cx = left + APART / 2;
    add(svg("path", { d: `M${cx} ${TOP - 9}l7 7l-7 7l-7-7z`, class: "m-none" }));
  }
  add(line({ x1: left - 6, x2: WIDTH, y1: FOOT, y2: FOOT, class: "ground" }));
  for (let x = left; x < WIDTH; x += 9) add(line({ x1: x, x2: x - 6, y1: FOOT + 1, y2: FOOT + 7, class: "hatch" }));
  addTexts(picture, ladder, y);
  return picture;
}

/**
 * @param {SVGElement} picture
 * @param {Ladder} ladder
 * @param {(degC: number) => number} y
 */
function addTexts(picture, ladder, y) {
  /* From the top: a node's name, the resistance below it, and so on. */
  const blocks = [];
  let rung = 0;
  for (const [i, node] of ladder.nodes.entries()) {
    const notes = node.notes.map((note) => svg("text", { class: "said" }, note));
    const name = svg("text", { class: "node-name" }, node.name);
    if (node.degC === null) {
      blocks.push({ at: TOP + 6, parts: [name, ...notes] });
      continue;
    }
    name.append(svg("tspan", { class: "value", dx: 10 }, Math.round(node.degC) + " °C"));
    blocks.push({ at: y(node.degC) + 5, parts: [name, ...notes] });
    const below = ladder.nodes[i + 1]?.degC ?? ladder.ambient.degC;
    const resistance = ladder.resistances[rung++];
    if (!resistance?.value) continue;
    const shown = svg("text", { class: "resistance" }, resistance.value);
    shown.append(svg("tspan", { class: "who", dx: 4 }, resistance.unit));
    shown.append(svg("tspan", { class: "who", dx: 8 }, `(${resistance.interval})`));
    const drop = svg("text", { class: "said" }, resistance.drop);
    blocks.push({ at: (y(node.degC) + y(below)) / 2, parts: [shown, drop] });
  }
  const places = placeBlocks(blocks);
  for (const [i, { parts }] of blocks.entries())
    for (const [row, part] of parts.entries()) {
      part.setAttribute("x", String(TEXT_LEFT));
      part.setAttribute("y", String(places[i] + row * LINE));
      picture.append(part);
    }
  const ambient = svg("text", { x: TEXT_LEFT, y: FOOT - 9, class: "node-name" }, "ambient");
  ambient.append(svg("tspan", { class: "value", dx: 10 }, Math.round(ladder.ambient.degC) + " °C"));
  ambient.append(svg("tspan", { class: "who", dx: 8 }, ladder.ambient.note));
  picture.append(ambient);
}
