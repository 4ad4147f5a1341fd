// @ts-check
/* The load as it was, on the Heat page. */
import { fetchDuty } from "../api.mjs";
import { addressOf } from "../request.mjs";
import { button, html, renderFact, setText } from "../dom.mjs";
import { purgePlot } from "../plotly.mjs";
import { OthersPart } from "./others.mjs";
import { renderList, renderTable, sentenceNodes } from "./texts.mjs";

/** @typedef {import("./answers.d.ts").Shown} Shown */

const AGAIN_MS = 900;
const WINDOWS = ["window", "highest RMS", "held for as long, in brackets 95 %", "share of it", "from"];
const RANGES = ["cycles by rainflow", "how many", "largest", "damage, to compare only"];

/** Asks for the account of the joint that is open, and shows it. */
export class DutyPart {
  /** @param {import("./page.mjs").HeatPage} page */
  constructor(page) {
    this.page = page;
    this.isAsking = false;
    this.isStale = false;
    /** What was asked for last: its answer is shown only while nothing else is. */
    this.asked = "";
    this.plots = [page.part("windows"), page.part("map")];
    /** Whether the temperature is that of another recording's joint, since this one has no fit. */
    this.isOthersRule = false;
    this.others = new OthersPart(page, {
      part: "by",
      words: ([by]) => (by ? "Held against another recording" : "Hold it against an earlier recording"),
      own: "this recording itself",
      chosen: () => (page.by ? [page.by] : []),
      take: ([by = ""]) => page.take({ by }),
    });
  }

  /** Whether there is a temperature to turn, though the recording that is open has no fit. */
  hasRule() {
    return this.isOthersRule && Boolean(this.page.by);
  }

  end() {
    this.plots.forEach((plot) => purgePlot(plot));
  }

  /** The rules or the joint have changed. @param {any} asked as the page asks for it */
  async ask(asked) {
    const view = { ...asked, by: this.page.by };
    this.view = view;
    this.others.render();
    if (this.isAsking) {
      this.isStale = true;
      return;
    }
    this.isAsking = true;
    this.isStale = false;
    const { page } = this;
    const { name } = page;
    try {
      const answer = await fetchDuty(name, view, page.id, page.signal);
      if (!this.isStale && page.name === name && !page.gone) await this.render(answer, view);
    } catch {
      /* That the server cannot be reached is said by the page, which tries again. */
      page.after("duty", 5 * AGAIN_MS, () => this.ask(this.view));
    }
    this.isAsking = false;
    if (this.isStale) this.ask(this.view);
  }

  /** @param {import("./answers.d.ts").DutyAnswer} answer @param {any} view */
  async render(answer, view) {
    const { page } = this;
    const part = page.part("duty");
    part.hidden = false;
    part.dataset.state = answer.state;
    const isAnswered = answer.state === "shown";
    for (const name of ["duty-figures", "duty-windows", "duty-values", "duty-ranges", "duty-notes"])
      page.part(name).hidden = !isAnswered;
    if (answer.state === "counting") {
      setText(page.part("duty-said"), "going once through the rows");
      if (!this.isShown(view)) page.part("duty-answer").replaceChildren();
      page.after("duty", AGAIN_MS, () => this.ask(this.view));
    } else if (answer.state === "refused") {
      setText(page.part("duty-said"), "");
      renderFact(page.part("duty-answer"), answer.refused, () => [html("p", "", answer.refused)]);
    } else {
      this.asked = this.keyOf(view);
      await this.renderAnswer(answer);
    }
  }

  /** @param {any} view */
  keyOf({ joint, ambient, also, by }) {
    return JSON.stringify([this.page.name, joint, ambient, also, by]);
  }

  /** @param {any} view */
  isShown(view) {
    return this.asked === this.keyOf(view);
  }

  /** @param {Shown} answer */
  async renderAnswer(answer) {
    const { page } = this;
    setText(page.part("duty-said"), "as recorded, weighted by time");
    renderFact(page.part("duty-answer"), [answer.sentence, answer.tightest, answer.against], () => {
      const copied = button("Copy this sentence", async () => {
        await navigator.clipboard.writeText(answer.copy);
        copied.textContent = "Copied";
        setTimeout(() => (copied.textContent = "Copy this sentence"), 2000);
      });
      const does = [copied];
      const nodes = [html("p", "answer-sentence", sentenceNodes(answer.sentence))];
      const row = html("div", "does", does);
      if (answer.tightest) {
        const [from, to] = answer.tightest;
        const link = html("a", "", "The tightest window in Replay");
        link.href = addressOf("/replay/" + encodeURIComponent(page.name), { from, to });
        row.append(link);
      }
      if (answer.against) {
        const link = html("a", "", `What it is held against, in Replay: ${answer.against.name}`);
        link.href = "/replay/" + encodeURIComponent(answer.against.path);
        row.append(link);
      }
      return [...nodes, row];
    });
    this.renderRule(answer.rule);
    setText(page.part("windows-said"), answer.curve_note);
    renderTable(page.part("duty-windows"), { head: WINDOWS, rows: answer.windows });
    renderTable(page.part("duty-values"), { head: ["of its load", "value, in brackets 95 %"], rows: answer.figures });
    renderTable(page.part("duty-ranges"), { head: RANGES, rows: answer.ranges });
    renderList(page.part("duty-notes"), answer.notes);
    page.part("mapped").hidden = !answer.map;
    const [windows, map] = this.plots;
    if (answer.curve && !page.gone) await page.draw(windows, answer.curve);
    if (answer.map && !page.gone) await page.draw(map, answer.map);
  }

  /** The temperature to hold, where the page has no rule of its own. @param {Shown["rule"]} rule */
  renderRule(rule) {
    const { page } = this;
    if (page.answer?.state === "fitted") return;
    this.isOthersRule = Boolean(rule);
    page.part("limit-rule").hidden = !rule;
    if (!rule) return;
    setText(page.part("limit-words"), `the ${rule.node} may reach`);
    page.renderRule("limit", rule, rule.from);
  }
}
