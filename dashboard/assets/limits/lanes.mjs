// @ts-check
/* The lanes of the Limits page: one recording each, all on one scale in time and in value. What a limit
   measures, where it would have been raised, the bad ends, and its levels, which can be dragged. */
import { button, html, setText, svg, unitLabel, words } from "../dom.mjs";
import { formatDuration, formatElapsed } from "../format.mjs";
import { severityMark } from "../marks.mjs";
import { LevelHandles, levelText } from "./levels.mjs";
import { beyondLevels, LaneScale, valueRange } from "./scale.mjs";

/** @typedef {import("./answers.d.ts").Lane} Lane */

const LABEL_PX = 66;
/* As .trace of limits.css is padded for the figures of the axis. */
const AXIS_PX = 44;
const VALUE_TICKS = 5;
const LOW_PX = 100;
const TICKS_APART_PX = 13;
const OCTAGONS_APART_PX = 8;
const AXIS_STEPS_S = [10, 60, 300, 600, 1800, 3600, 7200, 14400, 21600, 43200, 86400];
const NO_RECORDINGS = "Choose recordings above: what they measured is drawn here.";
const NO_LIMIT = "Choose a limit on the left: what it measures is drawn here.";
const LEGEND = " Bars: raised. Tinted ground with an octagon: a bad end.";

/** @typedef {{box: HTMLElement, trace: HTMLElement, layer: SVGSVGElement, begun: HTMLElement,
 *   answer: HTMLElement, levels: SVGGElement, width: number}} LaneRow */

/** The lanes of all chosen recordings. */
export class ResultLanes {
  /** @param {HTMLElement} host @param {import("./page.mjs").LimitsPage} page */
  constructor(host, page) {
    this.host = host;
    this.page = page;
    this.scale = new LaneScale();
    this.handles = new LevelHandles(this);
    /** @type {LaneRow[]} */
    this.rows = [];
    /** @type {Lane[]} */
    this.lanes = [];
    /** The limit that is drawn. @type {any} */
    this.chosen = null;
    /** @type {import("./scale.mjs").Shape[][]} */
    this.shapes = [];
    this.shape = "";
    /** How many joints are drawn and how many are not, where not all are. */
    this.drawn = "";
    this.longest_s = 1;
    this.isDragging = false;
    this.title = html("div", "lane-title");
    this.axisLayer = svg("svg", { class: "lane over", height: 20 });
  }

  /** Nothing is shown until there is an answer again. */
  clear() {
    this.shape = "";
    this.rows = [];
    this.lanes = [];
    this.chosen = null;
    this.host.replaceChildren();
  }

  /**
   * @param {{lanes: Lane[], drawn: string}} answer
   * @param {any} chosen
   * @param {import("./scale.mjs").Shape[][] | null} shapes
   */
  render({ lanes, drawn }, chosen, shapes) {
    Object.assign(this, { lanes, drawn, chosen, shapes: shapes || [] });
    const shape = JSON.stringify(lanes.map(({ path, joints }) => [path, joints.map((j) => j.joint)]));
    if (shape !== this.shape) {
      this.shape = shape;
      this.build(lanes);
    }
    /* Few of them have room to be looked at. */
    this.scale.height = lanes.length < 3 ? 170 : lanes.length < 6 ? 112 : 74;
    this.longest_s = Math.max(...lanes.map((lane) => lane.length_s), 1);
    /* While a level is dragged the scale stands still under the pointer. */
    if (!this.isDragging || !this.scale.range) {
      const levels = this.isDragging ? [] : (chosen.levels || []).flat(2);
      this.scale.range = valueRange(this.shapes, levels);
    }
    this.rows.forEach((row, i) => this.fillRow(row, lanes[i], i));
    this.drawAxis();
    this.renderTitle();
  }

  renderTitle() {
    const { chosen, lanes, title } = this;
    if (!lanes.length) title.replaceChildren(html("span", "hint", NO_RECORDINGS));
    else if (chosen.reason || !chosen.name) title.replaceChildren(html("span", "hint", chosen.reason || NO_LIMIT));
    else {
      const legend = LEGEND + (chosen.no_level ? "" : " Drag the line.");
      const parts = [html("b", "", chosen.quantity), unitLabel(chosen.unit || ""), html("small", "", legend)];
      title.replaceChildren(...parts, this.jointLegend());
    }
  }

  /** Which colour is which joint, in the order of the bars. */
  jointLegend() {
    const joints = this.lanes.flatMap((lane) => lane.joints).filter(({ pen }) => pen);
    const byPen = new Map(joints.map((joint) => [joint.pen + joint.joint, joint]));
    const parts = [...byPen.values()].map(({ pen, label }) =>
      html("span", "", [html("span", "pen pen-" + pen), words(" " + label)]),
    );
    if (this.drawn) parts.push(html("span", "", `${this.drawn}; all are judged`));
    return html("span", "joints", parts);
  }

  /** @param {Lane[]} lanes */
  build(lanes) {
    this.rows = lanes.map(({ name, path }) => {
      const open = button(name, () => this.page.handover.openReplay(path), "plain words");
      open.title = "Open in Replay, judged by these limits";
      const begun = html("small");
      const layer = svg("svg", { class: "lane over" });
      const trace = html("div", "trace");
      trace.append(layer);
      const answer = html("div", "lane-answer");
      const box = html("div", "lane-row", [html("div", "who", [open, begun]), trace, answer]);
      box.dataset.path = path;
      return { box, layer, begun, answer, trace, levels: svg("g", {}), width: 0 };
    });
    const trace = html("div", "trace");
    trace.append(this.axisLayer);
    const under = html("div", "lane-row under", [html("div", "who"), trace, html("div", "lane-answer")]);
    this.host.replaceChildren(this.title, ...this.rows.map((row) => row.box), under);
  }

  /** The width of the whole time; the level's words stand behind it. @param {LaneRow} row */
  timeWidth(row) {
    return Math.max((row.trace.clientWidth || 600) - AXIS_PX - LABEL_PX, 80);
  }

  /** @param {LaneRow} row @param {Lane} lane @param {number} i */
  fillRow(row, lane, i) {
    const { scale } = this;
    const whole = this.timeWidth(row);
    row.width = (whole * lane.length_s) / this.longest_s;
    row.trace.style.height = scale.height + 4 + "px";
    row.layer.setAttribute("width", String(whole));
    row.layer.setAttribute("height", String(scale.height));
    const when = `${lane.begun}, ${lane.length}${lane.live ? ", still recording" : ""}`;
    setText(row.begun, when);
    const focused = this.handles.focused(row);
    const group = svg("g", {});
    this.drawTints(group, i, row.width);
    this.drawBadEnds(group, lane, row.width);
    this.drawLine(group, "base", scale.height - 0.5, row.width);
    if (scale.low < 0 && scale.high > 0) this.drawLine(group, "zero", scale.y(0), row.width);
    this.drawJoints(group, lane, this.shapes[i] || [], row.width);
    this.drawValues(group, i, row.width);
    row.levels = svg("g", {});
    row.layer.replaceChildren(group, row.levels);
    this.handles.draw(row, i, focused);
    this.renderScore(row, lane);
  }

  /** @param {SVGGElement} group @param {string} cls @param {number} y @param {number} width */
  drawLine(group, cls, y, width) {
    group.append(svg("line", { class: cls, x1: 0, x2: width, y1: y, y2: y }));
  }

  /**
   * What is beyond the levels, as it is tinted on the other pages.
   * @param {SVGGElement} group
   * @param {number} i
   * @param {number} width
   */
  drawTints(group, i, width) {
    const { scale, chosen } = this;
    const [top, bottom] = [scale.y(scale.high), scale.y(scale.low)];
    for (const [from, to] of beyondLevels(chosen.levels?.[i] || [], scale.low, scale.high)) {
      const [y0, y1] = [Math.max(scale.y(to), top), Math.min(scale.y(from), bottom)];
      if (y1 > y0) group.append(svg("rect", { class: "beyond " + chosen.mark, x: 0, y: y0, width, height: y1 - y0 }));
    }
  }

  /**
   * The figures of the value axis on both sides; on the right the levels have theirs.
   * @param {SVGGElement} group
   * @param {number} i
   * @param {number} width
   */
  drawValues(group, i, width) {
    const { scale, chosen } = this;
    if (!this.shapes[i]?.length) return;
    const levels = (chosen.levels?.[i] || []).flat();
    /* On the right the levels are named, on the left their drop-offs are taken by. */
    const isFree = (/** @type {number} */ y, /** @type {boolean} */ isOff) =>
      levels
        .filter((level) => level.off === isOff)
        .flatMap(({ at, mirrored }) => (mirrored ? [at, -at] : [at]))
        .every((at) => Math.abs(scale.y(at) - y) >= TICKS_APART_PX);
    for (const value of scale.ticks(scale.height < LOW_PX ? VALUE_TICKS - 2 : VALUE_TICKS)) {
      const y = scale.y(value);
      const text = levelText(value * (chosen.factor || 1));
      if (isFree(y, true)) group.append(svg("text", { class: "tick", x: -6, y: y + 4, "text-anchor": "end" }, text));
      if (isFree(y, false)) group.append(svg("text", { class: "tick", x: width + 10, y: y + 4 }, text));
    }
  }

  /** @param {SVGGElement} group @param {Lane} lane @param {number} width */
  drawBadEnds(group, lane, width) {
    const { top, height } = this.scale;
    /** @type {number[]} */
    const octagons = [];
    for (const [from, to] of lane.joints.flatMap((joint) => joint.bad_ends)) {
      const x = from * width;
      const size = { width: Math.max((to - from) * width, 2), height: height - top };
      group.append(svg("rect", { class: "bad", x, y: top - 4, ...size }));
      if (octagons.some((other) => Math.abs(other - x) < OCTAGONS_APART_PX)) continue;
      octagons.push(x);
      group.append(severityMark("danger", x, top - 9, 11));
    }
  }

  /**
   * @param {SVGGElement} group
   * @param {Lane} lane
   * @param {import("./scale.mjs").Shape[]} shapes
   * @param {number} width
   */
  drawJoints(group, lane, shapes, width) {
    /* There are shapes of the drawn ones alone. */
    const drawn = lane.joints.filter(({ pen }) => pen);
    drawn.forEach((joint, j) => {
      const y = 5 * j;
      const paths = shapes[j] ? this.scale.bandPaths(shapes[j], width) : [];
      group.append(...paths.map((d) => svg("path", { class: "band p" + joint.pen, d })));
      for (const [from, to] of joint.raised) {
        const place = { x: from * width, y, width: Math.max((to - from) * width, 2), height: 4 };
        group.append(svg("rect", { class: "raised " + this.chosen.mark, ...place }));
      }
    });
  }

  /** While a level is dragged the lines follow the pointer; the answer follows them. @param {any[][][]} levels */
  follow(levels) {
    this.chosen = { ...this.chosen, levels };
    this.rows.forEach((row, i) => this.handles.draw(row, i));
  }

  /** What came of the limit on a recording. @param {LaneRow} row @param {Lane} lane */
  renderScore(row, lane) {
    const score = lane.score;
    /** @type {HTMLElement[]} */
    const lines = [];
    /* What is none is no news. */
    const add = (/** @type {string} */ strong, /** @type {string} */ rest) =>
      lines.push(html("div", "", [html(/^(0|no)\b/.test(strong) ? "span" : "b", "", strong), words(rest)]));
    if (!lane.joints.length || !score) lines.push(html("div", "hint", "It does not watch any joint here."));
    else if (score.bad_ends === undefined)
      add(String(score.raised), score.raised === 1 ? " time raised" : " times raised");
    else {
      const lead = score.caught ? `, ${score.median_lead} before` : "";
      if (score.bad_ends) add(`${score.caught} of ${score.bad_ends} caught`, lead);
      else add("no bad end", "");
      add(String(score.false_alerts), score.false_alerts === 1 ? " false alert" : " false alerts");
    }
    if (lane.joints.length) lines.push(html("small", "", this.exactness(lane)));
    row.answer.replaceChildren(...lines);
  }

  /** How far the answer can be trusted. @param {Lane} lane */
  exactness({ exact, live, first_s }) {
    const about =
      (live ? "about, while it is recorded" : "about") + (this.chosen.may_miss_short ? ", brief ones left out" : "");
    const first = first_s === null || first_s === undefined ? "" : "; first at " + formatElapsed(first_s);
    return (exact ? "exact" : about) + first;
  }

  drawAxis() {
    const [row] = this.rows;
    if (!row) return;
    const width = this.timeWidth(row);
    const whole_s = this.longest_s;
    const step_s = AXIS_STEPS_S.find((step) => whole_s / step <= 7) || 604800;
    const group = svg("g", {});
    for (let s = 0; s <= whole_s; s += step_s) {
      const x = (width * s) / whole_s;
      const anchor = s === 0 ? "start" : x > width - 20 ? "end" : "middle";
      group.append(svg("text", { class: "tick", x, y: 13, "text-anchor": anchor }, s ? formatDuration(s) : "0"));
    }
    this.axisLayer.setAttribute("width", String(width));
    this.axisLayer.replaceChildren(group);
  }
}
