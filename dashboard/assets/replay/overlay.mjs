// @ts-check
/* A second recording laid over the one that is open in Replay: which one, and how it is aligned with
   it. What is drawn of it comes with the rows; this asks for it by two words in the address, `over` and
   `shift`, and moves it. A shift is in seconds: positive lays it later. */
import { fetchOverlay } from "../api.mjs";
import { clamp, svg } from "../dom.mjs";
import { OverlayControls } from "./overlay_controls.mjs";

/** @typedef {import("./answers.d.ts").Alignment} Alignment */
/** @typedef {import("./answers.d.ts").ListedRecording} ListedRecording */

const MAX_SHIFT_S = 1e8;

/** A shift that an address can hold: to the microsecond, within reason. @param {number | null} shift_s */
export function tidyShift(shift_s) {
  if (shift_s === null || !Number.isFinite(shift_s)) return 0;
  return Math.round(clamp(shift_s, -MAX_SHIFT_S, MAX_SHIFT_S) * 1e6) / 1e6 + 0;
}

/** The second recording: which one, and where it lies. */
export class Overlay {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    /** The recordings that there are. @type {ListedRecording[]} */
    this.rows = [];
    this.asked = 0;
    /** The recording, empty for none. */
    this.name = "";
    this.shift_s = 0;
    /** Which joint of it lies over which, "shoulder:elbow"; empty: each over the one of its name. */
    this.joints = "";
    /** How it is aligned: at the starts, at an event of each, or by hand. */
    this.align = "start";
    /** What the server knows of it. @type {Alignment | null} */
    this.info = null;
    this.fault = "";
    this.controls = new OverlayControls(this);
  }

  forget() {
    this.name = "";
    this.joints = "";
    this.shift_s = 0;
    this.align = "start";
    this.info = null;
    this.fault = "";
  }

  /* ---- what the page asks of it ---- */

  params() {
    return this.name ? { over: this.name, shift: this.shift_s, over_joints: this.joints } : {};
  }

  /**
   * The first recording was opened, with what the address says of a second one.
   * @param {string} name
   * @param {number | null} shift_s
   * @param {string} joints
   */
  begin(name, shift_s, joints) {
    this.forget();
    this.name = name;
    this.joints = joints;
    if (name) {
      this.shift_s = tidyShift(shift_s);
      this.align = this.shift_s ? "hand" : "start";
      this.fetch();
    }
    this.controls.toggle(Boolean(name));
    this.controls.renderAnswer(null);
    this.controls.render();
  }

  /** The recordings that there are. @param {ListedRecording[]} rows */
  offer(rows) {
    this.rows = rows;
    this.controls.render();
  }

  /** @param {KeyboardEvent} event @returns {boolean} whether the key was its own */
  pressKey(event) {
    const key = event.key.toLowerCase();
    const size_s = event.shiftKey ? 10 : 1;
    if (key === "o") this.controls.toggle(this.controls.box.hidden, true);
    else if (key === "j" && this.name) this.move(this.shift_s - size_s);
    else if (key === "l" && this.name) this.move(this.shift_s + size_s);
    else return false;
    return true;
  }

  /**
   * Draws where it lies on the strip of the whole test.
   * @param {DocumentFragment} group
   * @param {any} meta of the strip's figure
   * @param {(seconds: number) => number} x
   * @returns {number | null} the height at which to name it, null for nothing
   */
  drawOnStrip(group, meta, x) {
    if (!this.info) return null;
    const [left, marginRight, top, marginBottom] = meta.margin;
    const right = meta.size[0] - marginRight;
    const bottom = meta.size[1] - marginBottom;
    const [above, below] = meta.domains;
    const y = top + (bottom - top) * (1 - (meta.torque ? (above[0] + below[1]) / 2 : 0.04));
    const from = x(this.shift_s);
    const to = x(this.shift_s + this.info.length_s);
    const [x0, x1] = [Math.max(from, left), Math.min(to, right)];
    if (x1 < left || x0 > right) return null;
    const tick = (/** @type {number} */ at) => `M${at},${y - 4}V${y + 4}`;
    const ends = (from >= left ? tick(from) : "") + (to <= right ? tick(to) : "");
    group.append(svg("path", { class: "other-span", d: `M${x0},${y}H${x1}` }));
    group.append(svg("path", { class: "other-ends", d: ends }));
    return y;
  }

  /* ---- hands ---- */

  /** @param {string} name of a recording, empty for none */
  choose(name) {
    this.forget();
    this.name = name;
    this.controls.renderAnswer(null);
    this.controls.render();
    if (name) this.fetch();
    this.page.redrawOverlay();
  }

  /** @param {string} how */
  alignBy(how) {
    this.align = how;
    if (how === "start") this.shift_s = 0;
    if (how === "event" && this.info?.pair) {
      [this.controls.here.value, this.controls.there.value] = this.info.pair.map(String);
      this.alignEvents();
      return;
    }
    this.controls.render();
    this.page.redrawOverlay();
  }

  alignEvents() {
    if (!this.info || this.controls.here.value === "" || this.controls.there.value === "") return;
    this.shift_s = this.shiftOf(Number(this.controls.here.value), Number(this.controls.there.value));
    this.controls.render();
    this.page.redrawOverlay();
  }

  /** The shift that lays one event on the other. @param {number} here @param {number} there */
  shiftOf(here, there) {
    if (!this.info) return this.shift_s;
    return tidyShift(this.info.events[here].at_s - this.info.other_events[there].at_s);
  }

  /** @param {string} joints which joint of it lies over which */
  chooseJoints(joints) {
    this.joints = joints;
    this.controls.render();
    this.page.redrawOverlay();
  }

  /** @param {number} shift_s */
  move(shift_s) {
    this.align = "hand";
    this.shift_s = tidyShift(shift_s);
    this.controls.render();
    this.page.redrawOverlay();
  }

  /* ---- what it knows of the second ---- */

  async fetch() {
    if (!this.name || !this.page.name) return;
    const asked = ++this.asked;
    const { name } = this;
    const isStale = () => asked !== this.asked || this.name !== name;
    try {
      const info = await fetchOverlay(this.page.name, name, this.page.signal);
      if (isStale()) return;
      this.fault = "";
      this.controls.renderEvents(info);
      /* Without a joint in common the first that it can lie over is meant. */
      if (!info.shares_joints && !this.joints) this.chooseJoints(info.joints[0].key);
      this.page.strip.draw();
    } catch (fault) {
      if (isStale()) return;
      this.info = null;
      this.fault = fault.message;
    }
    this.controls.render();
  }
}
