// @ts-check
/* The strip of the whole test: drawn once by plotly, and over it what moves: the window, the play-head, the
   marks of alerts. Dragging on it chooses a window. */
import { clamp, html, svg } from "../dom.mjs";
import { formatElapsed } from "../format.mjs";
import { fitText, spreadLabels, timeTicks } from "../labels.mjs";
import { drawPlot, STILL } from "../plotly.mjs";
import { severityMark } from "../marks.mjs";

const DRAGGED_PX = 4;

/** @param {number} seconds @param {number} step_s */
function tickText(seconds, step_s) {
  if (seconds === 0) return "0";
  return step_s >= 3600 ? seconds / 3600 + " h" : step_s >= 60 ? seconds / 60 + " min" : seconds + " s";
}

/** The strip above the window. */
export class WholeStrip {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    this.host = page.part("strip");
    this.plot = html("div", "plot");
    this.layer = svg("svg", { class: "over", "aria-hidden": "true" });
    this.host.append(this.plot, this.layer);
    /** @type {any} */
    this.meta = null;
    this.dragToChoose();
  }

  /** @param {any} figure */
  async render(figure) {
    this.meta = figure.layout.meta;
    const [width, height] = this.meta.size;
    this.host.style.height = height + "px";
    this.layer.setAttribute("width", width);
    this.layer.setAttribute("height", height);
    await drawPlot(this.plot, figure, STILL);
    this.draw();
  }

  /** Where an instant stands. @param {number} seconds */
  x(seconds) {
    const { margin, size, length_s } = this.meta;
    return margin[0] + (seconds / Math.max(length_s, 1e-3)) * (size[0] - margin[0] - margin[1]);
  }

  /** Draws what stands over the strip. */
  draw() {
    if (!this.meta) return;
    const { margin, size } = this.meta;
    const [left, , top] = margin;
    const area = { left, top, right: size[0] - margin[1], bottom: size[1] - margin[3] };
    const group = document.createDocumentFragment();
    this.drawAxis(group, area);
    const otherY = this.page.overlay.drawOnStrip(group, this.meta, (seconds) => this.x(seconds));
    if (this.meta.form !== "narrow") this.drawTitles(group, area, otherY);
    this.drawMarks(group, area);
    if (this.page.view) this.drawWindow(group, area, this.page.view);
    this.layer.replaceChildren(group);
  }

  /** @typedef {{left: number, right: number, top: number, bottom: number}} Area */

  /** @param {DocumentFragment} group @param {Area} area */
  drawAxis(group, { left, right, bottom }) {
    const y = bottom + 2;
    const { length_s, text, form } = this.meta;
    group.append(svg("line", { class: "axis", x1: left, x2: right, y1: y, y2: y }));
    const { step, at } = timeTicks(0, length_s, right - left, form === "narrow" ? 60 : 80);
    for (const seconds of at) {
      const x = this.x(seconds);
      const anchor = seconds === 0 ? "start" : "middle";
      group.append(svg("line", { class: "axis", x1: x, x2: x, y1: y, y2: y + 4 }));
      const place = { class: "tick", x, y: y + 5 + text, "text-anchor": anchor };
      group.append(svg("text", place, tickText(seconds, step)));
    }
  }

  /** @param {DocumentFragment} group @param {Area} area @param {number | null} otherY */
  drawTitles(group, { right, top, bottom }, otherY) {
    const m = this.meta;
    const style = `font-weight:700;font-size:${m.title}px`;
    group.append(svg("text", { class: "elapsed", x: 2, y: top + m.title, style }, "Whole test"));
    const below = { class: "tick", x: 2, y: top + m.title + m.text * 1.4 };
    group.append(svg("text", below, formatElapsed(m.length_s)));
    const [low, high] = m.domains[0];
    const y = (/** @type {number} */ value) => {
      const share = (value - m.range[0]) / (m.range[1] - m.range[0]);
      return top + (bottom - top) * (1 - (low + share * (high - low)));
    };
    const ends = m.ends.filter((/** @type {any} */ end) => end.y !== null);
    /** @type {[number, string][]} */
    const labels = ends.map((/** @type {any} */ end) => [y(end.y), this.fit(end.joint, m.margin[1] - 12, ", °C")]);
    if (m.torque) labels.push([top + (bottom - top) * (1 - m.domains[1][1] / 2), "torque, min to max"]);
    if (otherY !== null) labels.push([otherY, "other"]);
    const places = spreadLabels(
      labels.map(([at]) => at),
      m.text * 1.25,
      top,
      bottom,
    );
    labels.forEach(([, text], i) => {
      group.append(svg("text", { class: "tick", x: right + 10, y: places[i] + m.text * 0.36 }, text));
    });
  }

  /**
   * A small text as it has room together with what follows it.
   * @param {string} text
   * @param {number} room
   * @param {string} after
   */
  fit(text, room, after) {
    const probe = svg("text", { class: "tick", x: -9999 });
    this.layer.append(probe);
    const widthOf = (/** @type {string} */ one) => {
      probe.textContent = one;
      return probe.getComputedTextLength();
    };
    const fitted = fitText(text, room - widthOf(after), widthOf) + after;
    probe.remove();
    return fitted;
  }

  /** @param {DocumentFragment} group @param {Area} area */
  drawMarks(group, { top }) {
    const m = this.meta;
    const size = m.text * 1.1;
    let last = -Infinity;
    for (const mark of [...m.marks].sort((a, b) => a.x0 - b.x0)) {
      const x0 = this.x(mark.x0);
      const width = Math.max(2, this.x(mark.x1 === null ? m.length_s : mark.x1) - x0);
      group.append(svg("rect", { class: "bar-" + mark.mark, x: x0, y: top - 6, width, height: 4 }));
      const x = x0 + width / 2;
      if (x - last <= size && mark.mark !== "danger") continue;
      group.append(severityMark(mark.mark, x, top - 7 - size * 0.6, size));
      last = x;
    }
  }

  /** @param {DocumentFragment} group @param {Area} area @param {[number, number]} view */
  drawWindow(group, { left, right, top, bottom }, view) {
    const [x0, k] = [this.x(view[0]), 4];
    const x1 = Math.max(this.x(view[1]), x0 + 3);
    const outside = (/** @type {number} */ x, /** @type {number} */ width) =>
      svg("rect", { class: "outside", x, y: top, width: Math.max(0, width), height: bottom - top });
    const ends = `M${x0 + k},${top}H${x0}V${bottom}H${x0 + k}M${x1 - k},${top}H${x1}V${bottom}H${x1 - k}`;
    const head = this.x(this.page.head);
    group.append(
      outside(left, x0 - left),
      outside(x1, right - x1),
      svg("path", { class: "bracket", d: ends }),
      svg("line", { class: "head", x1: head, x2: head, y1: top, y2: bottom + 2 }),
    );
  }

  dragToChoose() {
    const { page, host } = this;
    /** @type {number | null} */
    let from = null;
    let moved = false;
    const at = (/** @type {PointerEvent} */ event) => {
      const { margin, size, length_s } = this.meta;
      const x = event.clientX - host.getBoundingClientRect().left;
      return clamp(((x - margin[0]) / (size[0] - margin[0] - margin[1])) * length_s, 0, length_s);
    };
    page.listen(host, "pointerdown", (event) => {
      if (!this.meta || event.button) return;
      host.setPointerCapture(event.pointerId);
      from = at(event);
      moved = false;
    });
    page.listen(host, "pointermove", (event) => {
      if (from === null) return;
      const to = at(event);
      if (Math.abs(this.x(to) - this.x(from)) > DRAGGED_PX) moved = true;
      if (!moved) return;
      page.view = [Math.min(from, to), Math.max(from, to)];
      this.draw();
    });
    page.listen(host, "pointerup", (event) => {
      if (from === null || !page.view) return;
      const [start, to] = [from, at(event)];
      from = null;
      if (moved) page.show(Math.min(start, to), Math.max(start, to));
      else this.centre(to, page.view[1] - page.view[0]);
    });
    page.listen(host, "pointercancel", () => {
      from = null;
    });
  }

  /** @param {number} seconds @param {number} width */
  centre(seconds, width) {
    this.page.head = seconds;
    if (width < this.page.opened.length_s - 0.01) this.page.show(seconds - width / 2, seconds + width / 2);
    else this.page.moveHead(seconds);
  }
}
