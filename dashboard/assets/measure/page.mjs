// @ts-check
/* The Measure page: one measurement on one joint of a recording, step by step. The page holds what was typed and
   marked, in the address, so that it can be sent to a colleague and outlives a reload; the server evaluates it
   anew with each question. While a recording goes on it asks again by itself. */
import { fetchMeasured, fetchMeasureKinds, fetchNow, fetchProgramme, keepMeasured } from "../api.mjs";
import { addressOf } from "../request.mjs";
import { byId, faultNote, html, renderFact, setText } from "../dom.mjs";
import { isPageKey } from "../keys.mjs";
import { recordingInAddress, takeOpened } from "../opened.mjs";
import { Page } from "../page.mjs";
import { drawPlot, purgePlot } from "../plotly.mjs";
import { listFor } from "../recording_choice.mjs";
import { screenForm, screenTheme } from "../screen.mjs";
import { renderCaution, renderHead } from "./head.mjs";
import { Inputs } from "./inputs.mjs";
import { Measurement } from "./measurement.mjs";
import { renderMissing, renderRest, renderResult } from "./result.mjs";
import { renderDo, renderSteps, renderValue, renderWatched } from "./steps.mjs";

/** @typedef {import("./answers.d.ts").MeasureAnswer} MeasureAnswer */
/** @typedef {import("./answers.d.ts").Measured} Measured */
/** @typedef {import("./answers.d.ts").Kind} Kind */

const PLOT = { displayModeBar: false, responsive: true };
const LIVE_MS = 1000;
const AGAIN_MS = 3000;
const EMPTY = /** @type {[string, string][]} */ ([
  ["Record the bench", "dutytrace record bench.toml"],
  ["What to measure of a new joint", "dutytrace measure plan"],
  ["The same in the terminal", "dutytrace measure backlash --expect"],
]);

/** State and asking of the Measure page. */
export class MeasurePage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    this.name = "";
    this.measurement = new Measurement();
    /** @type {Kind[]} */
    this.kinds = [];
    this.writes = false;
    this.isAsking = false;
    this.isStale = false;
    /** @type {MeasureAnswer | null} */
    this.answer = null;
    /** What there is to measure of each joint. @type {import("./answers.d.ts").JointProgramme[]} */
    this.programme = [];
    /** Of which recording that is; empty where it has to be asked for. */
    this.programmeOf = "";
    /** What keeping came to; empty until it is asked for. */
    this.keptText = "";
    /** @type {Map<HTMLElement, string>} */
    this.drawn = new Map();
    this.select = html("select");
    this.select.id = "measure-select";
    this.part("choice").replaceChildren(this.select);
    /* A page that ends has no elements any more: they are kept. */
    this.plots = { course: this.part("course"), picture: this.part("picture") };
    this.inputs = new Inputs(this);
    this.listen(this.select, "change", () => this.open(this.select.value));
    this.list = listFor(this, EMPTY);
    this.listen(window, "popstate", () => this.route());
    this.listen(document, "keydown", (event) => this.onKey(event));
    this.onScreenChange(() => this.fetch());
    this.begin();
  }

  /** @param {string} name */
  part(name) {
    return byId("measure-" + name);
  }

  end() {
    super.end();
    for (const plot of Object.values(this.plots)) purgePlot(plot);
  }

  /** @param {KeyboardEvent} event */
  onKey(event) {
    if (!isPageKey(event) || this.part("guided").hidden) return;
    const key = event.key.toLowerCase();
    if (key === "b" && this.inputs.toggleSpan()) event.preventDefault();
    if (key === "r" && this.inputs.focusReading()) event.preventDefault();
  }

  /* ---- which measurement ---- */

  async begin() {
    try {
      const { kinds, writes } = await fetchMeasureKinds(this.signal);
      Object.assign(this, { kinds, writes });
      this.route();
    } catch (fault) {
      this.renderFault(fault);
      this.after("begin", AGAIN_MS, () => this.begin());
    }
  }

  route() {
    this.measurement = Measurement.fromQuery(location.search, this.kinds);
    this.answer = null;
    this.keptText = "";
    /* Before the list comes: the answer for what was shown until now would be taken for this one's. */
    this.name = recordingInAddress("measure") || takeOpened();
    this.list.refresh();
  }

  /** The kind that is chosen. @returns {Kind | undefined} */
  get kind() {
    return this.kinds.find(({ name }) => name === this.measurement.kind);
  }

  /** Another recording: what was marked in this one does not lie in it. @param {string} name */
  open(name) {
    this.name = name;
    this.measurement.clear();
    this.take({ joint: "" });
  }

  /** @param {Partial<Measurement>} changes */
  take(changes) {
    Object.assign(this.measurement, changes);
    this.keptText = "";
    this.saveAddress(() => addressOf("/measure/" + encodeURIComponent(this.name), this.measurement.query()));
    return this.fetch();
  }

  /** Everything once more. */
  again() {
    this.measurement.clear();
    this.take({});
  }

  /* ---- asking: one question at a time, the newest one next ---- */

  async fetch() {
    if (!this.name || this.gone) return;
    this.cancel("again");
    if (this.isAsking) {
      this.isStale = true;
      return;
    }
    this.isAsking = true;
    this.isStale = false;
    const { name } = this;
    const asked = JSON.stringify(this.measurement.query());
    const begun_ms = performance.now();
    try {
      const answer = await fetchMeasured(
        name,
        { ...this.measurement.query(), theme: screenTheme(), form: screenForm() },
        this.signal,
      );
      this.part("lost").replaceChildren();
      /* What is kept changes by this page alone, or seldom. */
      const isWanted = !this.measurement.kind && this.programmeOf !== name;
      if (isWanted) this.programme = (await fetchProgramme(name, this.signal)).joints;
      if (isWanted) this.programmeOf = name;
      const isNewest = asked === JSON.stringify(this.measurement.query());
      if (this.name === name && isNewest) await this.render(answer);
      /* An evaluation that takes long leaves the server room. */
      const took_ms = performance.now() - begun_ms;
      if (answer.live) this.after("again", Math.max(LIVE_MS, 3 * took_ms), () => this.fetch());
    } catch (fault) {
      this.renderFault(fault);
      this.after("again", AGAIN_MS, () => this.fetch());
    }
    this.isAsking = false;
    if (this.isStale) this.fetch();
  }

  /** The newest instant of the recording, to the millisecond. */
  async now() {
    const { now_s } = await fetchNow(this.name, this.signal);
    return Math.floor(now_s * 1000) / 1000;
  }

  async keep() {
    const joint = this.answer?.joint || "";
    try {
      const { kept } = await keepMeasured(this.name, { ...this.measurement.query(), joint }, this.signal);
      this.programmeOf = "";
      this.keptText = `Kept in this recording as ${kept.slice(0, 8)}; it stands on the data sheet.`;
    } catch (fault) {
      this.keptText = /** @type {any} */ (fault).message;
    }
    this.fetch();
  }

  /** @param {any} fault */
  renderFault(fault) {
    this.part("opened").hidden = false;
    const again = "Trying again by itself; nothing that was typed is lost.";
    this.part("lost").replaceChildren(faultNote(fault, "This cannot be measured.", again));
  }

  /* ---- showing ---- */

  /** @param {MeasureAnswer} answer */
  async render(answer) {
    this.answer = answer;
    renderHead(this, answer);
    const { kind } = this;
    const { measured } = answer;
    const isGuided = Boolean(kind && measured && this.measurement.isAcknowledged);
    renderCaution(this, kind);
    this.part("guided").hidden = !isGuided;
    if (isGuided && kind && measured) {
      const pen = answer.joints.find(({ name }) => name === answer.joint)?.pen || 1;
      const isDone = !measured.steps.some(({ now }) => now);
      renderSteps(this.part("steps"), measured.steps, pen);
      renderDo(this.part("do"), measured.steps);
      const isWatched = answer.live && measured.course && !(isDone && measured.result);
      this.part("value").hidden = !isWatched;
      if (isWatched) renderValue(this.part("value"), measured.value);
      renderWatched(this.part("watched"), measured.watched);
      this.inputs.render(answer, measured, kind);
      renderResult(this, measured);
      renderMissing(this.part("missing"), measured);
      renderRest(this, measured);
      setText(this.part("command"), measured.command);
      await this.draw("course", measured.course);
      if (!answer.live) this.inputs.listenToCourse();
      await this.draw("picture", measured.picture);
      if (this.gone) return;
    }
    this.root.dataset.state = isGuided ? measured?.state : kind ? "caution" : "choose";
  }

  /** Draws a figure where it is another. @param {"course" | "picture"} name @param {any} figure */
  async draw(name, figure) {
    if (this.gone) return;
    const plot = this.plots[name];
    plot.hidden = !figure;
    const is = JSON.stringify(figure);
    if (!figure || this.drawn.get(plot) === is) return;
    this.drawn.set(plot, is);
    plot.style.height = figure.layout.height + "px";
    await drawPlot(plot, figure, PLOT);
  }
}
