// @ts-check
/* The Heat page: what a joint bears and for how long. The fit is made on the server once; every move of a rule
   asks for new answers from it. The address holds the view, so that it can be sent to a colleague. */
import { fetchHeat } from "../api.mjs";
import { addressOf } from "../request.mjs";
import { byId, faultNote, findAll, html, renderFact, setText } from "../dom.mjs";
import { recordingInAddress, takeOpened } from "../opened.mjs";
import { Page, toMilli } from "../page.mjs";
import { drawPlot, purgePlot } from "../plotly.mjs";
import { listFor } from "../recording_choice.mjs";
import { screenForm, screenTheme } from "../screen.mjs";
import { AmbientPart } from "./ambient.mjs";
import { borneRows, renderBorneTable } from "./borne_table.mjs";
import { DutyPart } from "./duty.mjs";
import { MotionPart } from "./motion.mjs";
import { OthersPart, namesIn } from "./others.mjs";
import { drawLadder } from "./ladder.mjs";
import { openLabel, renderHead } from "./head.mjs";
import { proposeLimits } from "./proposal.mjs";
import { renderAnswer, renderChanges, renderList, renderTable, renderUnknown, saveTable } from "./texts.mjs";

/** @typedef {import("./answers.d.ts").HeatAnswer} HeatAnswer */
/** @typedef {import("./answers.d.ts").Fitted} Fitted */

const PLOT = { displayModeBar: false, responsive: true };
const AGAIN_MS = 600;
const TURNED_MS = 60;
const EMPTY = /** @type {[string, string][]} */ ([
  ["Record the bench", "dutytrace record bench.toml"],
  ["See it with simulated joints", "dutytrace demo"],
  ["The same in the terminal", "dutytrace heat RECORDING --hottest 80degC"],
]);

/** State and asking of the Heat page. */
export class HeatPage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    this.id = Math.random().toString(36).slice(2);
    this.name = "";
    this.joint = "";
    this.ambient = "";
    /** Further recordings that are fitted together with this one. @type {string[]} */
    this.also = [];
    /** Another recording, whose joint the load is held against; empty: this one's. */
    this.by = "";
    /** Where the rules stand; null: where the server begins. @type {number | null} */
    this.room = null;
    /** @type {number | null} */
    this.limit = null;
    this.isHolding = false;
    this.isAsking = false;
    this.isStale = false;
    /** @type {HeatAnswer | null} */
    this.answer = null;
    this.select = html("select");
    this.select.id = "heat-select";
    this.part("choice").replaceChildren(this.select);
    this.plots = [this.part("curve"), this.part("truth")];
    this.duty = new DutyPart(this);
    this.others = new OthersPart(this, {
      part: "others",
      words: ({ length }) => (length ? `with ${length} other${length > 1 ? "s" : ""}` : "Fit others with it"),
      own: "",
      chosen: () => this.also,
      take: (also) => this.take({ also }),
    });
    this.ambients = new AmbientPart(this);
    this.motion = new MotionPart(this);
    this.part("limits").onclick = () => proposeLimits(this, this.question());
    this.sliders = { room: this.slider("room"), limit: this.slider("limit") };
    this.listen(this.select, "change", () => this.open(this.select.value));
    for (const choice of findAll(this.part("holding"), "button"))
      choice.onclick = () => this.take({ isHolding: choice.dataset.holding === "1" });
    this.part("csv").onclick = () => {
      const table = this.answer?.state === "fitted" ? this.answer.table : null;
      if (table) saveTable(borneRows(table), `${this.name}-${this.answer?.joint}-heat.csv`);
    };
    this.list = listFor(this, EMPTY);
    this.listen(window, "popstate", () => this.route());
    this.onScreenChange(() => this.fetch());
    this.route();
  }

  /** @param {string} name */
  part(name) {
    return byId("heat-" + name);
  }

  end() {
    super.end();
    this.plots.forEach((plot) => purgePlot(plot));
    this.duty.end();
  }

  /** @param {"room" | "limit"} name */
  slider(name) {
    const input = html("input");
    Object.assign(input, { id: "heat-" + name, type: "range", step: "1" });
    this.part(name + "-box").replaceChildren(input);
    this.listen(input, "input", () => {
      setText(this.part(name + "-at"), `${input.value} °C`);
      this[name] = Number(input.value);
      this.isStale = this.isAsking; /* The answer that is on its way was asked for before this. */
      this.after("turned", TURNED_MS, () => this.fetch());
    });
    return input;
  }

  /* ---- which recording ---- */

  route() {
    const query = new URLSearchParams(location.search);
    const number = (/** @type {string} */ key) => {
      const text = query.get(key);
      return text && Number.isFinite(Number(text)) ? Number(text) : null;
    };
    Object.assign(this, {
      joint: query.get("joint") || "",
      ambient: query.get("ambient") || "",
      also: namesIn(query.get("also") || ""),
      by: query.get("by") || "",
      room: number("room"),
      limit: number("limit"),
      isHolding: query.get("holding") === "1",
      answer: null,
      name: recordingInAddress("heat") || takeOpened(),
    });
    this.motion.route(query);
    this.list.refresh();
  }

  /** @param {string} name */
  open(name) {
    this.name = name;
    this.take({ joint: "", ambient: "", also: [], by: "", room: null, limit: null });
  }

  /** @param {object} changes of the view */
  take(changes) {
    Object.assign(this, changes);
    this.fetch();
  }

  address() {
    const { joint, ambient, by, room, limit, isHolding } = this;
    const holding = isHolding ? "1" : "";
    const also = this.also.join("/");
    const view = { joint, ambient, also, by, room, limit, holding, ...this.motion.view() };
    return addressOf("/heat/" + encodeURIComponent(this.name), view);
  }

  /* ---- asking: one question at a time, the newest one next ---- */

  async fetch(again = false) {
    if (!this.name || this.gone) return;
    if (this.isAsking) {
      this.isStale = true;
      return;
    }
    this.isAsking = true;
    this.isStale = false;
    const { name } = this;
    const view = { ...this.question(), again: again || "" };
    try {
      const answer = await fetchHeat(name, view, this.id, this.signal);
      this.part("lost").replaceChildren();
      if (this.name === name) await this.render(answer, view.joint);
    } catch (fault) {
      this.renderFault(fault);
      this.after("again", 5 * AGAIN_MS, () => this.fetch());
    }
    this.isAsking = false;
    if (this.isStale) this.fetch();
  }

  /** What the server is asked about. */
  question() {
    const { joint, ambient, room, limit, isHolding } = this;
    const screen = { theme: screenTheme(), form: screenForm() };
    return { joint, ambient, also: this.also.join("/"), room, limit, holding: isHolding || "", ...screen };
  }

  /** @param {any} fault */
  renderFault(fault) {
    this.part("opened").hidden = false;
    this.part("lost").replaceChildren(faultNote(fault, "This recording cannot be shown."));
  }

  /* ---- showing ---- */

  /** @param {HeatAnswer} answer @param {string} asked the joint that was asked about, empty for the first */
  async render(answer, asked) {
    this.answer = answer;
    /* What was chosen since it was asked for is not taken back by its answer. */
    if (this.joint === asked) this.joint = answer.joint;
    const label = openLabel(answer);
    document.title = `Heat: ${label || answer.name} – dutytrace`;
    renderHead(this, answer);
    this.others.render();
    this.ambients.render(answer);
    this.motion.render();
    const isFitted = answer.state === "fitted";
    if (!isFitted) for (const name of ["changed", "warmed"]) this.part(name).hidden = true;
    for (const name of ["true", "notes"]) this.part(name).hidden = !isFitted;
    const isBorne = isFitted && Boolean(answer.curve);
    const isAnswered = isFitted && answer.answered;
    for (const name of ["room-rule", "holding-rule"]) this.part(name).hidden = !isAnswered;
    /* Where the recording has no fit, the load may be held against what another one tells. */
    this.part("limit-rule").hidden = !isAnswered && !this.duty.hasRule();
    this.part("borne").hidden = !isBorne;
    /* Where nothing could be fitted, another ambient may be what was wanted. */
    this.part("rules").hidden = !answer.joint;
    if (answer.state === "fitting") {
      const words = `Fitting the heat of ${label}: some seconds for an hour, longer for days.`;
      renderFact(this.part("said"), words, () => [html("p", "lede", words)]);
      this.after("again", AGAIN_MS, () => this.fetch());
    } else if (answer.state === "refused") {
      renderFact(this.part("said"), answer.refused, () => [
        html("p", "lede", [html("span", "mark none"), ` Not known yet: ${label || "no joint"}.`]),
        html("p", "", answer.refused),
      ]);
    } else await this.renderFitted(answer);
    this.part("limits").hidden = !isBorne;
    this.motion.ask();
    if (!answer.joint || answer.state === "fitting") this.part("duty").hidden = true;
    else this.duty.ask(this.question());
    this.saveAddress(() => this.address());
    this.root.dataset.state = answer.state;
  }

  /** @param {Fitted} answer */
  async renderFitted(answer) {
    renderAnswer(this.part("said"), answer, () => this.fetch(true));
    const { rules } = answer;
    const [from, to] = answer.stretch_s.map(toMilli);
    const stretch = /** @type {HTMLAnchorElement} */ (this.part("replay"));
    stretch.href = addressOf("/replay/" + encodeURIComponent(answer.path), { from, to });
    setText(stretch, "What it stands on, in Replay");
    this.renderRule("room", rules.ambient, rules.ambient.fixed);
    this.renderRule("limit", rules.limit, rules.limit.from);
    setText(this.part("limit-words"), `the ${rules.node} may reach`);
    this.sliders.room.disabled = Boolean(rules.ambient.fixed);
    for (const choice of findAll(this.part("holding"), "button"))
      choice.setAttribute("aria-pressed", String((choice.dataset.holding === "1") === rules.holding));
    setText(this.part("holding-note"), rules.both);
    const { ladder, table } = answer;
    const pen = answer.joints.find(({ name }) => name === answer.joint)?.pen || 1;
    setText(this.part("curve-said"), answer.curve_note || "");
    if (ladder) {
      setText(this.part("ladder-said"), ladder.load + "; height is temperature");
      renderFact(this.part("ladder"), [ladder, pen], () => [drawLadder(ladder, pen)]);
    }
    if (table) {
      renderBorneTable(this.part("table"), table);
      setText(this.part("table-note"), table.note);
    }
    if (answer.for_ever) renderTable(this.part("for-ever"), answer.for_ever);
    renderList(this.part("assumed"), [...answer.assumed, ...answer.cautions]);
    this.part("known-section").hidden = !answer.quantities.length;
    renderTable(this.part("known"), {
      head: ["", "value, in brackets 95 %", "interval by"],
      rows: answer.quantities,
    });
    renderUnknown(this.part("unknown"), answer.unknown);
    this.part("changed").hidden = !answer.changes.length;
    renderChanges(this.part("changes"), answer.changes);
    this.part("warmed").hidden = !answer.neighbours.length;
    renderList(this.part("neighbours"), answer.neighbours);
    setText(this.part("truth-said"), answer.truth_note);
    const [curve, truth] = this.plots;
    await this.draw(truth, answer.truth);
    if (answer.curve && !this.gone) await this.draw(curve, answer.curve);
  }

  /** @param {"room" | "limit"} name @param {import("./answers.d.ts").Rule} rule @param {string} note */
  renderRule(name, rule, note) {
    const input = this.sliders[name];
    input.min = String(rule.low);
    input.max = String(rule.high);
    /* What the reader has turned on since is not turned back by an answer. */
    if (!this.isStale) input.value = String(Math.round(rule.value));
    if (!this.isStale) setText(this.part(name + "-at"), `${Math.round(rule.value)} °C`);
    setText(this.part(name + "-note"), note);
  }

  /** @param {HTMLElement} plot @param {any} figure */
  async draw(plot, figure) {
    plot.style.height = figure.layout.height + "px";
    await drawPlot(plot, figure, PLOT);
  }
}
