// @ts-check
/* The picture of the Live page: bins of the store in the traces of the sheet that the server sent. */
import { byId, countDrawing, html } from "../dom.mjs";
import { formatElapsed } from "../format.mjs";
import { drawLoadedPlot, plotly, purgePlot, STILL } from "../plotly.mjs";
import { Sheet } from "../sheet.mjs";
import { drawAhead, secondsAhead } from "./ahead.mjs";
import { applyEdits } from "./patch.mjs";
import { BinStore } from "./store.mjs";

const PLOT = { ...STILL, responsive: false, doubleClick: false };
/* As dashboard/live/view.py has it. */
const LEAST_S = 10;
const LEAST_MOVE_PX = 0.5;

/** Draws what was received. */
export class LivePicture {
  constructor() {
    this.host = byId("live-sheet");
    this.plot = html("div", "plot");
    this.host.append(this.plot);
    this.sheet = new Sheet(this.host);
    this.store = new BinStore();
    /** The sheet of the server: traces without their points. @type {any} */
    this.figure = null;
    this.isNewSheet = false;
    /** Seconds since the recording's start, as the newest bins say. */
    this.now = 0;
    /** The window that was drawn last. @type {[number, number] | null} */
    this.view = null;
    /** Whether more has changed since than the present. */
    this.isChanged = true;
    /** Whether plotly is there to draw with. */
    this.isReady = false;
  }

  /** @param {any} figure */
  setSheet(figure) {
    this.figure = figure;
    this.isNewSheet = true;
    this.isChanged = true;
  }

  /** @param {{shapes: any[], lane: any[]}} edits */
  editMarks({ shapes, lane }) {
    applyEdits(this.figure.layout.shapes, shapes);
    applyEdits(this.figure.layout.meta.lane, lane);
    this.isChanged = true;
  }

  /** @param {import("./frame.mjs").BinFrame} frame */
  addBins(frame) {
    this.store.add(frame);
    this.now = frame.now;
    if (frame.count) this.isChanged = true;
  }

  /** Drops what no longer lies in the window. @param {number} window_s 0 for the whole test */
  dropOld(window_s) {
    if (window_s) this.store.dropBefore(this.now - window_s - this.store.width);
  }

  /**
   * Whether a window lies elsewhere than the one that was drawn, by as much as can be seen.
   * @param {[number, number]} view
   */
  hasMoved(view) {
    if (!this.view) return true;
    const [from, to] = this.view;
    const px_a_s = this.sheet.plotW / (to - from);
    return Math.max(Math.abs(view[0] - from), Math.abs(view[1] - to)) * px_a_s >= LEAST_MOVE_PX;
  }

  /**
   * @param {number} window_s
   * @param {boolean} isStopped whether the recording does not go on
   * @param {import("./ahead.mjs").PenAhead[]} ahead where temperatures go from here
   */
  draw(window_s, isStopped, ahead = []) {
    if (!this.figure) return;
    const { data, layout } = this.figure;
    const now = this.now < LEAST_S ? "" : isStopped ? formatElapsed(this.now) : "now";
    /* It grows from the start of the test until it is full. */
    const begin = window_s ? Math.max(0, this.now - window_s) : 0;
    const end = Math.max(this.now, LEAST_S);
    const isAhead = ahead.length > 0 && !isStopped && now !== "";
    /** @type {[number, number]} */
    const view = [begin, isAhead ? end + secondsAhead(end - begin) : end];
    const over = {
      now,
      nowAt: isAhead ? this.now : null,
      over: (/** @type {DocumentFragment} */ group) => isAhead && drawAhead(this.sheet, group, ahead, this.now),
    };
    /* Drawing costs most of what the page does: in a long window only the newest values change most times. */
    if (!this.isChanged && this.view && !this.hasMoved(view)) {
      this.sheet.draw({ view: this.view, tips: this.tips(), ...over });
      return;
    }
    this.isChanged = false;
    this.dropOld(window_s);
    for (const trace of data) this.store.fillTrace(trace);
    layout.xaxis.range = view;
    const share = (end - begin) / (view[1] - begin);
    for (const shape of layout.shapes) {
      if (shape.name === "open") shape.x1 = Math.max(this.now, shape.x0);
      /* Tints of limits end at now, ahead of it only their lines go on. */
      if (shape.type === "rect" && shape.xref === "x domain") shape.x1 = share;
    }
    layout.datarevision = (layout.datarevision || 0) + 1;
    if (this.isNewSheet) {
      this.sheet.setMeta(layout.meta);
      this.isNewSheet = false;
      this.host.style.height = layout.meta.size[1] + "px";
    }
    this.fillFlags(view[0]);
    drawLoadedPlot(this.plot, { data, layout }, PLOT);
    this.sheet.draw({ view, tips: this.tips(), ...over });
    this.view = view;
    countDrawing(this.host);
  }

  /** Puts the flags of the window into the sheet. @param {number} from */
  fillFlags(from) {
    for (const { flags } of this.figure.layout.meta.rows)
      for (const flag of flags) Object.assign(flag, this.store.flag(flag.at, from));
  }

  /** The newest value of each pen. */
  tips() {
    const { data, layout } = this.figure;
    const places = new Map(data.map((/** @type {any} */ { meta }) => [meta.joint + "/" + meta.channel, meta.at]));
    return layout.meta.rows.flatMap((/** @type {any} */ row, /** @type {number} */ i) =>
      row.pens.flatMap((/** @type {any} */ { pen, joint, label, channel, place, dash }) => {
        const newest = this.store.newest[places.get(joint + "/" + channel)];
        return newest ? [{ row: i, pen, joint, label, place, dash, value: newest[1], at: newest[0] }] : [];
      }),
    );
  }

  /** Waits for plotly. @param {() => void} ready */
  start(ready) {
    plotly.then(() => {
      this.isReady = true;
      ready();
    });
  }

  end() {
    purgePlot(this.plot);
  }
}
