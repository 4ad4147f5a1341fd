// @ts-check
/* The window on the recording: its rows of traces, the play-head and the dragged span over them, and the
   hands on it: a drag takes a span, with Shift it pans, the wheel looks closer. */
import { fetchRows } from "../api.mjs";
import { clamp, countDrawing, findAll, html, setText } from "../dom.mjs";
import { elapsedDecimals, formatClock, formatElapsed } from "../format.mjs";
import { figureSize } from "../page.mjs";
import { drawPlot, STILL } from "../plotly.mjs";
import { RowChoice } from "../row_choice.mjs";
import { Sheet } from "../sheet.mjs";

const DRAGGED_PX = 4;
const WHEEL_SHARE = 0.0022;

/**
 * The value of a trace at a time: the last one at or before it, null in a gap or before the first.
 * @param {{x: ArrayLike<number>, y: ArrayLike<number | null>}} trace
 * @param {number} at
 */
export function valueAt(trace, at) {
  let low = 0;
  let high = trace.x.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (trace.x[middle] <= at) low = middle + 1;
    else high = middle;
  }
  return low > 0 ? trace.y[low - 1] : null;
}

/** How much a wheel event zooms. @param {WheelEvent} event */
export function wheelFactor(event) {
  return Math.exp(clamp(event.deltaY, -300, 300) * WHEEL_SHARE);
}

/** How far a wheel event pans, as a share of the window; null if it zooms. @param {WheelEvent} event */
export function wheelPan(event) {
  const isSideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
  return event.shiftKey || isSideways ? (isSideways ? event.deltaX : event.deltaY) / 600 : null;
}

/** The rows of traces of the page's window. */
export class RowsWindow {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    this.host = page.part("rows");
    this.plot = html("div", "plot");
    this.host.append(this.plot);
    this.sheet = new Sheet(this.host);
    this.rowChoice = new RowChoice("past", () => page.redrawOverlay());
    /** @type {any} */
    this.figure = null;
    /** The window that the figure shows. @type {[number, number] | null} */
    this.shown = null;
    this.isAsking = false;
    this.isStale = false;
    this.listenToHands();
    page.listen(this.host, "wheel", (event) => this.turnWheel(event), { passive: false });
  }

  /** One question at a time: the newest window is asked for when the last answer is there. */
  async fetch() {
    if (this.isAsking) {
      this.isStale = true;
      return;
    }
    this.isAsking = true;
    this.isStale = false;
    this.host.classList.add("busy");
    const { page } = this;
    const { name } = page;
    const view = /** @type {[number, number]} */ (page.view);
    const which = {
      start: view[0],
      end: view[1],
      ...page.which,
      joints: page.drawn.shown,
      ...figureSize(this.host.clientWidth),
      ...page.overlay.params(),
    };
    try {
      const figure = await fetchRows(name, which, page.signal);
      if (page.name === name) await this.render(figure, [...view]);
    } catch (fault) {
      if (!page.gone) setText(page.part("when"), fault.message);
    }
    this.isAsking = false;
    if (page.gone) return;
    this.host.classList.remove("busy");
    if (this.isStale) this.fetch();
  }

  /** @param {any} figure @param {[number, number]} view */
  async render(figure, view) {
    this.figure = figure;
    this.shown = view;
    this.page.overlay.controls.renderAnswer(figure.overlay);
    const { meta } = figure.layout;
    this.rowChoice.renderOffers(meta.offers, meta.chosen);
    this.host.style.height = meta.size[1] + "px";
    await drawPlot(this.plot, figure, STILL);
    if (this.page.gone) return;
    this.sheet.setMeta(meta);
    this.draw();
    countDrawing(this.host);
  }

  /** Draws what stands over the rows: pen tips at the play-head, the play-head, the span. */
  draw() {
    if (!this.figure || !this.shown) return;
    const { page, shown, figure } = this;
    const { meta } = figure.layout;
    this.sheet.draw({ view: shown, tips: this.tips(), head: page.head, span: page.span });
    const isFine = shown[1] - shown[0] < 600;
    const at = formatElapsed(page.head, elapsedDecimals(isFine ? 0.1 : 1));
    setText(page.part("time"), at);
    page.notes.renderPlace(at);
    setText(page.part("clock"), formatClock(meta.epoch_ms + page.head * 1000, meta.zone) + " on the clock");
    setText(page.part("window"), `${formatElapsed(shown[0])} to ${formatElapsed(shown[1])}`);
  }

  /** The value of each pen at the play-head. */
  tips() {
    const { head } = this.page;
    const key = (/** @type {any} */ of) => [of.joint, of.channel, Boolean(of.other)].join();
    /** @type {Map<string, any>} */
    const traces = new Map();
    for (const trace of this.figure.data)
      if (trace.meta.role === "line" || trace.meta.role === "mean") traces.set(key(trace.meta), trace);
    return this.figure.layout.meta.rows.flatMap((/** @type {any} */ row, /** @type {number} */ i) =>
      row.pens
        .filter((/** @type {any} */ pen) => traces.has(key(pen)))
        .map((/** @type {any} */ { pen, joint, label, channel, place, dash, other }) => {
          const trace = traces.get(key({ joint, channel, other }));
          const isMean = trace.meta.role === "mean";
          const value = valueAt(trace, head);
          return { row: i, pen, joint, label, place, dash, other, isMean, value, at: head };
        }),
    );
  }

  /** Shows which of the window's buttons is so. */
  markChoice() {
    const { view, opened } = this.page;
    if (!view) return;
    const width = view[1] - view[0];
    const isWhole = width >= opened.length_s - 0.01;
    for (const choice of findAll(this.page.root, ".choice")) {
      const seconds = Number(choice.dataset.window);
      const isOn = seconds ? !isWhole && Math.abs(width - seconds) < 0.01 * seconds : isWhole;
      choice.setAttribute("aria-pressed", String(isOn));
      /** @type {HTMLButtonElement} */ (choice).disabled = seconds > opened.length_s;
    }
  }

  /** @param {MouseEvent} event */
  timeAt(event) {
    return this.sheet.at(event.clientX - this.host.getBoundingClientRect().left);
  }

  listenToHands() {
    const { page, host } = this;
    /** @type {{from: number, moved: boolean, pan: {x: number, view: [number, number]} | null} | null} */
    let drag = null;
    page.listen(host, "pointerdown", (event) => {
      if (!this.figure || event.button || event.pointerType === "touch" || !page.view) return;
      host.setPointerCapture(event.pointerId);
      const pan = event.shiftKey
        ? { x: event.clientX, view: /** @type {[number, number]} */ ([...page.view]) }
        : null;
      drag = { from: this.timeAt(event), moved: false, pan };
    });
    page.listen(host, "pointermove", (event) => {
      if (!drag || !this.shown) return;
      if (drag.pan) {
        const { x, view } = drag.pan;
        const by = ((event.clientX - x) / this.sheet.plotW) * (view[1] - view[0]);
        drag.moved = true;
        page.show(view[0] - by, view[1] - by);
        return;
      }
      const [low, high] = this.shown;
      const [to, start] = [this.timeAt(event), drag.from].map((at) => clamp(at, low, high));
      if (Math.abs(this.sheet.x(to) - this.sheet.x(start)) > DRAGGED_PX) drag.moved = true;
      if (!drag.moved) return;
      page.span = [Math.min(start, to), Math.max(start, to)];
      this.draw();
    });
    page.listen(host, "pointerup", () => {
      if (!drag) return;
      const { from, moved, pan } = drag;
      drag = null;
      if (moved && pan) return;
      if (moved) page.takeSpan(page.span);
      else page.moveHead(from);
    });
    page.listen(host, "pointercancel", () => {
      drag = null;
    });
    page.listen(host, "click", (event) => {
      if (event.pointerType === "touch" && this.figure) page.moveHead(this.timeAt(event));
    });
    page.listen(host, "dblclick", () => {
      if (!page.opened) return;
      page.takeSpan(null);
      page.show(0, page.opened.length_s);
    });
  }

  /** @param {WheelEvent} event */
  turnWheel(event) {
    const { view } = this.page;
    if (!this.figure || !view || (!event.deltaY && !event.deltaX)) return;
    event.preventDefault();
    const pan = wheelPan(event);
    if (pan === null) this.page.zoom(wheelFactor(event), clamp(this.timeAt(event), view[0], view[1]));
    else {
      const by = pan * (view[1] - view[0]);
      this.page.show(view[0] + by, view[1] + by);
    }
  }
}
