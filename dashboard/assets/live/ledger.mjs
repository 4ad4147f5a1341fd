// @ts-check
/* The joints of the Live page: a row each, or tiles where there are many; which of them are drawn, and how
   many are not. */
import { byId, html, renderFact, setText } from "../dom.mjs";
import { choiceOf, FULL_WORDS, keepChoice, keptChoice, slotsOf, toggled } from "../pens.mjs";
import { fillJointRow, makeJointRow } from "./joints.mjs";
import { TileBoard } from "./tiles.mjs";

/** @typedef {import("./messages.d.ts").Status} Status */

/** Rows or tiles, and what is chosen of them. */
export class JointLedger {
  /** @param {import("../page.mjs").Page} page @param {() => void} onChoice asks for another picture */
  constructor(page, onChoice) {
    this.onChoice = onChoice;
    this.host = byId("live-ledger");
    this.board = new TileBoard(page, (joint) => this.toggle(joint));
    /** A joint for each pen, as the reader chose them; null for the most urgent. @type {string[] | null} */
    this.joints = null;
    /** The recording that the choice is of. */
    this.path = "";
    /** @type {Status | null} */
    this.status = null;
    this.isFull = false;
    page.listen(byId("live-urgent"), "click", () => this.choose(null));
  }

  /** What a request says of the choice: nothing where there is none. */
  request() {
    return this.joints ? { joints: this.joints } : {};
  }

  /** Another recording has another choice. @param {string} path */
  take(path) {
    if (this.path === path) return;
    const before = JSON.stringify(this.joints);
    this.path = path;
    this.joints = keptChoice(path);
    if (JSON.stringify(this.joints) !== before) this.onChoice();
  }

  /** @param {Status} status */
  render(status) {
    this.status = status;
    const { joints, tiles } = status;
    const isChoice = Boolean(status.drawn) || this.joints !== null;
    this.board.render(tiles);
    const shape = joints.map((joint) => [joint.name, Boolean(joint.other), isChoice]);
    const toggle = isChoice ? (/** @type {string} */ joint) => this.toggle(joint) : null;
    renderFact(this.host, shape, () => joints.map((joint) => makeJointRow(joint, toggle)));
    joints.forEach((joint, i) => fillJointRow(/** @type {HTMLElement} */ (this.host.children[i]), joint));
    this.renderDrawing();
  }

  renderDrawing() {
    const { drawn = "", tiles } = this.status || {};
    byId("live-drawing").hidden = !drawn;
    byId("live-urgent").hidden = this.joints === null;
    const how = this.isFull ? ". " + FULL_WORDS : `: choose a ${tiles ? "tile" : "joint"} to draw it`;
    renderFact(byId("live-drawn"), [drawn, how], () => [html("b", "", drawn), html("span", "", how)]);
  }

  /** Draws a joint, or draws it no more. @param {string} joint */
  toggle(joint) {
    if (!this.status) return;
    const slots = toggled(this.joints || slotsOf(this.status.tiles?.joints || this.status.joints), joint);
    this.isFull = !slots;
    if (slots) this.choose(choiceOf(slots));
    else this.renderDrawing();
  }

  /** @param {string[] | null} joints null for the most urgent */
  choose(joints) {
    this.joints = joints;
    this.isFull = false;
    keepChoice(this.path, joints);
    this.onChoice();
  }
}

/** The buses of a bench with several, as one line. @param {import("./messages.d.ts").BusLine[]} buses */
export function renderBuses(buses) {
  const host = byId("live-buses");
  host.hidden = !buses.length;
  const load = document.getElementById("fact-load");
  if (load?.closest("div")) /** @type {HTMLElement} */ (load.closest("div")).hidden = buses.length > 0;
  const names = buses.map((bus) => bus.name);
  renderFact(host, names, () =>
    names.map((name) => {
      const says = html("span", "says", [html("span", "mark"), html("span", "what")]);
      const figures = [
        html("span", "rate"),
        html("i", "u", "frames/s"),
        " ",
        html("span", "load"),
        html("i", "u", "%"),
      ];
      return html("div", "bus", [html("span", "name words", name), html("span", "", figures), says]);
    }),
  );
  buses.forEach(({ rate, load: share, mark, says }, i) => {
    const box = host.children[i];
    setText(box.querySelector(".rate"), rate);
    setText(box.querySelector(".load"), share);
    setText(box.querySelector(".what"), says);
    const shape = /** @type {HTMLElement} */ (box.querySelector(".mark"));
    shape.hidden = !mark;
    shape.className = "mark " + mark;
  });
}
