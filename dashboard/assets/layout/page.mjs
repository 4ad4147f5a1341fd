// @ts-check
/* The Layout page: four things are done with a joint of which nobody has a description, their times are marked,
   and the server proposes what its frames carry. The address holds what was marked and typed. */
import { fetchLayout, fetchNow } from "../api.mjs";
import { addressOf } from "../request.mjs";
import { byId, faultNote, html, setText } from "../dom.mjs";
import { recordingInAddress, takeOpened } from "../opened.mjs";
import { Page } from "../page.mjs";
import { drawPlot, purgePlot } from "../plotly.mjs";
import { listFor } from "../recording_choice.mjs";
import { screenForm, screenTheme } from "../screen.mjs";
import { Decisions } from "./decisions.mjs";
import { renderLegend, renderMap, renderUndecided, renderValues } from "./proposal.mjs";
import { renderSteps, renderTyped } from "./steps.mjs";

/** @typedef {import("./answers.d.ts").LayoutAnswer} LayoutAnswer */

const PLOT = { displayModeBar: false, responsive: true };
const AGAIN_MS = 700;
const LOST_MS = 3000;
const KEYS = ["bus", "rest", "turn", "load", "warm", "ambient", "supply", "mass", "arm", "positive", "find"];
const CAUTIONS = [
  "A joint can strike, crush and burn: keep out of its reach, and let a qualified person move it by the rules " +
    "that apply here. dutytrace only listens: it sends nothing, moves nothing and stops nothing.",
  "A proposal is a guess with its probability. Check every value against something that you trust before a " +
    "limit or a person relies on it.",
];
const EMPTY = /** @type {[string, string][]} */ ([
  ["Record the bus of the unknown drive", "dutytrace record bench.toml"],
  ["The same in the terminal, live", "dutytrace layout find bench.toml"],
  ["The same from a log", "dutytrace layout find --log LOG --marks marks.toml"],
]);

/** State and asking of the Layout page. */
export class LayoutPage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    this.id = Math.random().toString(36).slice(2);
    this.name = "";
    /** What was marked and typed, as the address has it. @type {Record<string, string>} */
    this.question = {};
    this.isAsking = false;
    this.isStale = false;
    this.drawn = "";
    this.select = html("select");
    this.select.id = "found-select";
    this.part("choice").replaceChildren(this.select);
    this.plot = this.part("curves");
    this.decisions = new Decisions(this.part("made"), this.signal);
    this.part("caution").replaceChildren(
      html(
        "ul",
        "",
        CAUTIONS.map((words) => html("li", "", words)),
      ),
    );
    this.listen(this.select, "change", () => this.open(this.select.value));
    this.list = listFor(this, EMPTY);
    this.listen(window, "popstate", () => this.route());
    this.onScreenChange(() => this.fetch());
    this.route();
  }

  /** @param {string} name */
  part(name) {
    return byId("found-" + name);
  }

  end() {
    super.end();
    purgePlot(this.plot);
  }

  /* ---- which recording, and what is asked of it ---- */

  route() {
    const query = new URLSearchParams(location.search);
    this.question = Object.fromEntries(KEYS.map((key) => [key, query.get(key) || ""]));
    this.name = recordingInAddress("layout") || takeOpened();
    this.list.refresh();
  }

  /** Another recording: what was marked in this one does not lie in it. @param {string} name */
  open(name) {
    this.name = name;
    this.take({ rest: "", turn: "", load: "", warm: "", bus: "", find: "" });
  }

  /** @param {Record<string, string>} changes */
  take(changes) {
    Object.assign(this.question, changes);
    this.saveAddress(() => addressOf("/layout/" + encodeURIComponent(this.name), this.question));
    return this.fetch();
  }

  /** Begins a step now, or ends it. @param {import("./answers.d.ts").Step} step */
  async mark(step) {
    try {
      const { now_s } = await fetchNow(this.name, this.signal);
      const now = String(Math.round(now_s * 100) / 100);
      const isOpen = step.begin_s !== null && step.end_s === null;
      this.typeStep(step.name, isOpen ? String(step.begin_s) : now, isOpen ? now : "");
    } catch (fault) {
      this.renderFault(fault);
    }
  }

  /** @param {string} name @param {string} begin @param {string} end both in s of the recording */
  typeStep(name, begin, end) {
    const text = begin || end ? `${begin.replace(",", ".")}-${end.replace(",", ".")}` : "";
    this.take({ [name]: text, find: "" });
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
    const asked = JSON.stringify(this.question);
    try {
      const view = { ...this.question, theme: screenTheme(), form: screenForm() };
      const answer = await fetchLayout(name, view, this.id, this.signal);
      this.part("lost").replaceChildren();
      if (this.name === name && asked === JSON.stringify(this.question)) await this.render(answer);
      if (answer.state === "finding") this.after("again", AGAIN_MS, () => this.fetch());
    } catch (fault) {
      this.renderFault(fault);
      this.after("again", LOST_MS, () => this.fetch());
    }
    this.isAsking = false;
    if (this.isStale) this.fetch();
  }

  /** @param {any} fault */
  renderFault(fault) {
    this.part("opened").hidden = false;
    const again = "Trying again by itself; nothing that was typed is lost.";
    this.part("lost").replaceChildren(faultNote(fault, "No layout can be proposed.", again));
  }

  /* ---- showing ---- */

  /** @param {LayoutAnswer} answer */
  async render(answer) {
    document.title = `Layout from traffic: ${answer.name} – dutytrace`;
    setText(this.part("from"), `${answer.name}, ${answer.live ? "still recording" : answer.when}`);
    /** @type {HTMLAnchorElement} */ (this.part("bus")).href = "/bus/" + encodeURIComponent(answer.path);
    renderSteps(this, answer);
    renderTyped(this, answer);
    setText(this.part("refused"), answer.refused);
    const isFinding = answer.state === "finding";
    setText(this.part("waits"), isFinding ? "Looking for what the frames carry: some seconds." : "");
    const { proposal } = answer;
    this.part("proposal").hidden = !proposal;
    if (proposal) {
      this.decisions.take(proposal);
      renderMap(this.part("map"), proposal);
      renderLegend(this.part("legend"), proposal);
      renderValues(this.part("values"), proposal, this.decisions);
      renderUndecided(this.part("undecided"), proposal.undecided);
      await this.draw(proposal.figure);
    }
    if (!this.gone) this.root.dataset.state = answer.state;
  }

  /** Draws the curves where they are others. @param {any} figure */
  async draw(figure) {
    this.plot.hidden = !figure;
    const is = JSON.stringify(figure);
    if (!figure || this.drawn === is) return;
    this.drawn = is;
    this.plot.style.height = figure.layout.height + "px";
    await drawPlot(this.plot, figure, PLOT);
  }
}
