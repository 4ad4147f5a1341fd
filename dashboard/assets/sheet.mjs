// @ts-check
/* What stands over a figure of rows and moves with the reader: ticks, the words of the lane and of the
   right margin, pen tips, play-head, dragged span. Reads layout.meta of the figure (figures/rows.py);
   draws into one SVG above plotly's. */
import { svg } from "./dom.mjs";
import { drawFlags } from "./flags.mjs";
import { elapsedDecimals, formatClock, formatElapsed } from "./format.mjs";
import { fitText, timeTicks } from "./labels.mjs";
import { drawLane } from "./lane.mjs";
import { drawMargin } from "./margin.mjs";

const WIDTHS_KEPT = 400;

/**
 * The value of a pen at a time, in seconds, which row and pen it is, its place and dash where the row has several,
 * and whether it is the mean of a bucket.
 * @typedef {{row: number, pen: number, joint: string, label?: string, place?: string, dash?: number,
 *   other?: boolean, isMean?: boolean, value: number | null, at: number}} Tip
 */

/** Whether a tip has a value to be shown. @param {Tip} tip @returns {tip is Tip & {value: number}} */
export function hasValue(tip) {
  return tip.value !== null && tip.value !== undefined && Number.isFinite(tip.value);
}

/** One figure of rows with what stands over it. */
export class Sheet {
  /** @param {HTMLElement} host */
  constructor(host) {
    this.host = host;
    this.layer = svg("svg", { class: "over", "aria-hidden": "true" });
    host.append(this.layer);
    /** Widths of texts, which cost the browser a layout. @type {Map<string, number>} */
    this.widths = new Map();
    /** layout.meta of the figure. @type {any} */
    this.meta = null;
    /** What is shown, in seconds. @type {[number, number]} */
    this.view = [0, 1];
    /** Margins and size of the figure, in pixels. */
    this.left = 0;
    this.right = 0;
    this.top = 0;
    this.bottom = 0;
    this.width = 0;
    this.plotW = 0;
    this.plotH = 0;
  }

  /** @param {any} meta layout.meta of the figure */
  setMeta(meta) {
    this.meta = meta;
    const [width, height] = meta.size;
    this.layer.setAttribute("width", width);
    this.layer.setAttribute("height", height);
    [this.left, this.right, this.top, this.bottom] = meta.margin;
    this.width = width;
    this.plotW = width - this.left - this.right;
    this.plotH = height - this.top - this.bottom;
  }

  /** The right edge of the plot. */
  get plotRight() {
    return this.left + this.plotW;
  }

  get isNarrow() {
    return this.meta.form === "narrow";
  }

  /** The radius of a pen's tip. */
  get tipRadius() {
    return this.meta.form === "wide" ? 4 : 3;
  }

  /** Where a time stands. @param {number} seconds */
  x(seconds) {
    return this.left + ((seconds - this.view[0]) / (this.view[1] - this.view[0])) * this.plotW;
  }

  /** Which time stands there. @param {number} px */
  at(px) {
    return this.view[0] + ((px - this.left) / this.plotW) * (this.view[1] - this.view[0]);
  }

  /** Where a value stands in a row. @param {number} row @param {number} value */
  y(row, value) {
    const { range, domain } = this.meta.rows[row];
    const share = (value - range[0]) / (range[1] - range[0]);
    return this.top + this.plotH * (1 - (domain[0] + share * (domain[1] - domain[0])));
  }

  /** How wide a text is in a class. @param {string} text @param {string} cls */
  textWidth(text, cls) {
    const key = cls + text;
    const known = this.widths.get(key);
    if (known !== undefined) return known;
    const probe = svg("text", { class: cls, x: -9999, y: 0 }, text);
    this.layer.append(probe);
    const width = probe.getComputedTextLength();
    probe.remove();
    if (this.widths.size > WIDTHS_KEPT) this.widths.clear();
    this.widths.set(key, width);
    return width;
  }

  /**
   * A text of a class as it has room; empty where hardly a letter has.
   * @param {string} text
   * @param {string} cls
   * @param {number} room
   */
  fit(text, cls, room) {
    return fitText(text, room, (one) => this.textWidth(one, cls));
  }

  /** The time of day at so many seconds. @param {number} seconds */
  clock(seconds) {
    return formatClock(this.meta.epoch_ms + seconds * 1000, this.meta.zone);
  }

  /**
   * Draws everything anew.
   * @param {{view: [number, number], tips: Tip[], head?: number | null, span?: [number, number] | null,
   *   now?: string, nowAt?: number | null, over?: (group: DocumentFragment) => void}} what the window, the pens'
   *   values, the play-head, the dragged span; `now` is what the newest instant is called: the right end, or
   *   `nowAt` where the window goes on beyond it; `over` draws what belongs to the page alone
   */
  draw({ view, tips, head = null, span = null, now = "", nowAt = null, over = () => undefined }) {
    this.view = view;
    const group = document.createDocumentFragment();
    this.drawAxis(group, head, now, nowAt);
    drawLane(this, group, span);
    drawFlags(this, group);
    over(group);
    drawMargin(this, group, tips, head === null && nowAt === null);
    if (nowAt !== null) this.drawTips(group, tips);
    if (span) this.drawSpan(group, span);
    if (head !== null) this.drawHead(group, head, tips);
    this.layer.replaceChildren(group);
  }

  /** Where the axis of time stands, and its two lines of words. */
  axisPlaces() {
    const axis = this.top + this.plotH + Math.round(this.bottom * 0.14);
    return { axis, elapsed: axis + 5 + this.meta.text, clock: axis + 5 + 2.15 * this.meta.text };
  }

  /** The pens' newest values where they are. @param {DocumentFragment} group @param {Tip[]} tips */
  drawTips(group, tips) {
    for (const tip of tips.filter(hasValue)) {
      const place = { cx: this.x(tip.at), cy: this.y(tip.row, tip.value), r: this.tipRadius };
      group.append(svg("circle", { class: `tip p${tip.pen}`, ...place }));
    }
  }

  /** @param {DocumentFragment} group @param {number | null} head @param {string} now @param {number | null} nowAt */
  drawAxis(group, head, now, nowAt) {
    const { isNarrow, left, plotRight } = this;
    const { text } = this.meta;
    const y = this.axisPlaces();
    group.append(svg("line", { class: "axis", x1: left, x2: plotRight, y1: y.axis, y2: y.axis }));
    const { step, at } = timeTicks(this.view[0], this.view[1], this.plotW, isNarrow ? 88 : 9.2 * text);
    const marked = head ?? nowAt;
    const headX = marked === null ? -Infinity : this.x(marked);
    const lowest = left + (isNarrow ? 1.2 * text : 0);
    const highest = plotRight + (now && nowAt === null ? -5 : 4) * text;
    for (const seconds of at) {
      const x = this.x(seconds);
      /* Nothing was before the recording began. */
      if (seconds < -1e-9 || x < left - 1 || x > plotRight + 1) continue;
      group.append(svg("line", { class: "axis", x1: x, x2: x, y1: y.axis, y2: y.axis + 5 }));
      if (Math.abs(x - headX) < 6.4 * text || x > highest || x < lowest) continue;
      const elapsed = formatElapsed(seconds, elapsedDecimals(step));
      group.append(svg("text", { class: "elapsed", x, y: y.elapsed, "text-anchor": "middle" }, elapsed));
      group.append(svg("text", { class: "tick", x, y: y.clock, "text-anchor": "middle" }, this.clock(seconds)));
    }
    if (!isNarrow) {
      group.append(svg("text", { class: "tick", x: 0, y: y.elapsed }, "elapsed"));
      group.append(svg("text", { class: "tick", x: 0, y: y.clock }, "clock"));
    }
    if (!now) return;
    const anchor = nowAt === null ? "start" : "middle";
    const place = { x: nowAt === null ? plotRight + 6 : headX, "text-anchor": anchor };
    if (nowAt !== null) group.append(svg("line", { class: "now", x1: headX, x2: headX, y1: this.top, y2: y.axis }));
    group.append(svg("text", { class: "elapsed", ...place, y: y.elapsed, style: "font-weight:700" }, now));
    const clock = this.clock(nowAt ?? this.view[1]);
    if (!isNarrow) group.append(svg("text", { class: "tick", ...place, y: y.clock }, clock));
  }

  /** @param {DocumentFragment} group @param {[number, number]} span */
  drawSpan(group, span) {
    const x0 = Math.max(this.left, this.x(span[0]));
    const x1 = Math.min(this.plotRight, this.x(span[1]));
    if (x1 <= x0) return;
    const [y0, y1, k] = [this.top, this.top + this.plotH, 4];
    const ends = `M${x0 + k},${y0}H${x0}V${y1}H${x0 + k}M${x1 - k},${y0}H${x1}V${y1}H${x1 - k}`;
    group.append(svg("rect", { class: "veil", x: x0, y: y0, width: x1 - x0, height: y1 - y0 }));
    group.append(svg("path", { class: "bracket", d: ends }));
  }

  /** @param {DocumentFragment} group @param {number} head @param {Tip[]} tips */
  drawHead(group, head, tips) {
    const x = this.x(head);
    if (x < this.left - 1 || x > this.plotRight + 1) return;
    const { text } = this.meta;
    const y = this.axisPlaces();
    group.append(svg("line", { class: "head", x1: x, x2: x, y1: this.top - 4, y2: y.axis }));
    for (const tip of tips.filter(hasValue)) {
      const cls = `tip p${tip.pen}${tip.other ? " other" : ""}`;
      group.append(svg("circle", { class: cls, cx: x, cy: this.y(tip.row, tip.value), r: this.tipRadius }));
    }
    const isFine = this.view[1] - this.view[0] < 20;
    const width = text * (isFine ? 6.6 : 5.6);
    const at = Math.min(Math.max(x, this.left + width / 2 - 20), this.plotRight - width / 2 + 40);
    const tab = { x: at - width / 2, y: y.axis, width, height: text * 1.45, rx: 2 };
    const middle = { x: at, "text-anchor": "middle" };
    group.append(
      svg("rect", { class: "tab", ...tab }),
      svg("text", { class: "tab-text", y: y.axis + text * 1.1, ...middle }, formatElapsed(head, isFine ? 1 : 0)),
      svg("text", { class: "tick halo", y: y.clock, ...middle }, this.clock(head)),
    );
  }
}
