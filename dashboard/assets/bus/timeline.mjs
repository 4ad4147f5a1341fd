// @ts-check
/* The picture of the Bus page: load, frames, errors and losses over the recording, and the hands on it. A
   click looks at the span there, a drag at what was dragged, the wheel looks closer. */
import { clamp, countDrawing, html, setText } from "../dom.mjs";
import { formatElapsed } from "../format.mjs";
import { toMilli } from "../page.mjs";
import { drawPlot, purgePlot, STILL } from "../plotly.mjs";
import { wheelFactor, wheelPan } from "../replay/window.mjs";
import { screenForm } from "../screen.mjs";
import { Sheet } from "../sheet.mjs";

/** @typedef {import("./answers.d.ts").BusAnswer} BusAnswer */

const DRAGGED_PX = 4;
const CLICKED_S = 60;
const ROW_EDGE_PX = 8;

/** The height of the picture beside the tables. */
export function timelineHeight() {
  const form = screenForm();
  if (form === "narrow") return 520;
  return form === "wide" ? clamp(innerHeight - 640, 330, 900) : clamp(innerHeight - 520, 330, 520);
}

/** The picture over the recording. */
export class BusTimeline {
  /** @param {import("./page.mjs").BusPage} page */
  constructor(page) {
    this.page = page;
    this.host = page.part("rows");
    this.plot = html("div", "plot");
    this.host.append(this.plot);
    this.sheet = new Sheet(this.host);
    /** A span while it is dragged. @type {[number, number] | null} */
    this.dragged = null;
    this.listenToHands();
    page.listen(this.host, "wheel", (event) => this.turnWheel(event), { passive: false });
  }

  /** @param {BusAnswer} answer */
  async render({ figure }) {
    const { meta } = figure.layout;
    this.host.style.height = meta.size[1] + "px";
    await drawPlot(this.plot, figure, STILL);
    if (this.page.gone) return;
    this.sheet.setMeta(meta);
    this.draw();
    countDrawing(this.host);
  }

  /** Draws what stands over it: the newest values, the span. */
  draw() {
    const { answer } = this.page;
    if (!answer) return;
    const { view, live, length_s, buses, path, figure } = answer;
    const span = this.dragged || this.page.shownSpan();
    const tips = figure.layout.meta.rows.flatMap((/** @type {any} */ row, /** @type {number} */ i) =>
      row.end ? [{ row: i, pen: 0, joint: live ? "now" : "at the end", value: row.end[1], at: row.end[0] }] : [],
    );
    this.sheet.draw({ view, tips, span, now: live && view[1] >= length_s - 1 ? "now" : "" });
    const spoken = buses.map(({ name, load, state }) => {
      return `${name}: load ${load.mean} % on average, ${load.maximum} % at most; ${state}`;
    });
    const label = "Load, frames, errors and losses over the recording. " + spoken.join(". ");
    this.host.setAttribute("aria-label", label);
    setText(this.page.part("shown"), `${formatElapsed(view[0])} to ${formatElapsed(view[1])}`);
    const query = `?from=${toMilli(view[0])}&to=${toMilli(view[1])}${span ? "&at=" + toMilli(span[0]) : ""}`;
    const link = /** @type {HTMLAnchorElement} */ (this.page.part("replay"));
    link.href = "/replay/" + encodeURIComponent(path) + query;
  }

  /** @param {MouseEvent} event */
  timeAt(event) {
    const at = this.sheet.at(event.clientX - this.host.getBoundingClientRect().left);
    return clamp(at, 0, Math.max(this.page.answer.length_s, 0.1));
  }

  /** The bus whose row is there, null between rows. @param {MouseEvent} event @returns {string | null} */
  busAt(event) {
    const y = event.clientY - this.host.getBoundingClientRect().top;
    const { top, plotH } = this.sheet;
    const { figure, buses } = this.page.answer;
    const row = figure.layout.meta.rows.find((/** @type {any} */ { domain }) => {
      const [low, high] = domain.map((/** @type {number} */ share) => top + plotH * (1 - share));
      return y >= high - ROW_EDGE_PX && y <= low + ROW_EDGE_PX;
    });
    return row ? buses[row.bus].name : null;
  }

  /** @param {MouseEvent} event */
  click(event) {
    const at = this.timeAt(event);
    const half = Math.min(this.page.spanLength(), CLICKED_S) / 2;
    this.page.takeSpan(at - half, at + half, this.busAt(event));
  }

  listenToHands() {
    const { page, host } = this;
    /** @type {{from: number, moved: boolean} | null} */
    let drag = null;
    page.listen(host, "pointerdown", (event) => {
      if (!page.answer || event.button || event.pointerType === "touch") return;
      host.setPointerCapture(event.pointerId);
      drag = { from: this.timeAt(event), moved: false };
    });
    page.listen(host, "pointermove", (event) => {
      if (!drag) return;
      const to = this.timeAt(event);
      if (Math.abs(this.sheet.x(to) - this.sheet.x(drag.from)) > DRAGGED_PX) drag.moved = true;
      if (!drag.moved) return;
      this.dragged = [Math.min(drag.from, to), Math.max(drag.from, to)];
      this.draw();
    });
    page.listen(host, "pointerup", (event) => {
      if (!drag) return;
      const span = this.dragged;
      drag = this.dragged = null;
      if (span && span[1] - span[0] > 0.01) page.takeSpan(span[0], span[1], this.busAt(event));
      else this.click(event);
    });
    page.listen(host, "pointercancel", () => {
      drag = this.dragged = null;
    });
    page.listen(host, "click", (event) => {
      if (event.pointerType === "touch" && page.answer) this.click(event);
    });
    page.listen(host, "dblclick", () => {
      if (page.answer) page.show(0, page.answer.length_s);
    });
  }

  /** @param {WheelEvent} event */
  turnWheel(event) {
    const { answer } = this.page;
    if (!answer || (!event.deltaY && !event.deltaX)) return;
    event.preventDefault();
    const [from, to] = answer.view;
    const pan = wheelPan(event);
    if (pan === null) this.page.zoom(wheelFactor(event), clamp(this.timeAt(event), from, to));
    else this.page.show(from + pan * (to - from), to + pan * (to - from));
  }

  end() {
    purgePlot(this.plot);
  }
}
