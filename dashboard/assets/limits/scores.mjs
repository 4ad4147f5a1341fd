// @ts-check
/* What the limits came to on the chosen recordings: bad ends caught, lead, false alerts, time lost. */
import { button, html, setText } from "../dom.mjs";
import { workText } from "./explorer.mjs";

/** @typedef {import("./answers.d.ts").Evaluation} Evaluation */
/** @typedef {import("./answers.d.ts").Score} Score */

const ABOUT = "about";
const BRIEF = "about: nothing in it lasts for less than a second";

/** A row of figures for one limit, or all of them. @param {Score} score @param {string} who @param {string} exact */
function scoreRow(score, who, exact) {
  /** @type {[string, string][]} */
  const facts = [];
  if (score.bad_ends !== undefined)
    facts.push(
      [`${score.caught} of ${score.bad_ends}`, "bad ends caught"],
      [score.median_lead, `median lead, worst ${score.worst_lead}`],
      [score.false_per_h, `false alerts an hour, ${score.false_alerts} in all`],
    );
  const chatters = score.chatters ? `, chattering ${score.chatters} times` : "";
  facts.push([String(score.raised), "times raised" + chatters]);
  if (score.lost_share !== undefined) facts.push([score.lost_share, "of the test lost to trips"]);
  const parts = facts.map(([value, what]) => html("div", "", [html("dd", "", value), html("dt", "", what)]));
  const name = html("span", "who", [html("b", "words", who), html("small", "", exact)]);
  return html("div", "worth-row", [name, html("dl", "facts", parts)]);
}

/** The figures below the lanes, and how far exact work has come. */
export class Scores {
  /** @param {import("./page.mjs").LimitsPage} page */
  constructor(page) {
    this.page = page;
    this.host = page.part("worth");
    this.progress = html("small", "progress", "");
    this.host.replaceChildren(this.progress);
    /** What all limits together came to last, for while the next answer is worked on. @type {Score | null} */
    this.together = null;
  }

  clear() {
    this.host.replaceChildren();
  }

  /** @param {Evaluation} answer */
  render(answer) {
    const { page } = this;
    const { draft, explorer } = page;
    const isExact = answer.lanes.every((lane) => lane.exact);
    const name = draft.table?.name;
    const rows = [];
    if (answer.score && name && answer.lanes.length)
      rows.push(scoreRow(answer.score, name, isExact ? "exact" : answer.chosen?.may_miss_short ? BRIEF : ABOUT));
    const isSeveral = draft.tables.length > 1;
    if (answer.combined_score && isSeveral && answer.lanes.length)
      rows.push(scoreRow(answer.combined_score, "all together", answer.exact ? "exact" : ABOUT));
    else if (isSeveral && this.together) rows.push(scoreRow(this.together, "all together", "as before"));
    if (answer.combined_score && !explorer.isWanted) this.together = answer.combined_score;
    /* Nothing was asked of anything: nothing is counted. */
    if (!draft.paths.length) {
      rows.length = 0;
      this.together = null;
    }
    const exact = button("Work it all out exactly", () => explorer.computeExactly(true), "plain");
    exact.id = "judge-exact";
    exact.append(" ", html("kbd", "", "E"));
    exact.hidden = !answer.lanes.length || (!answer.can_be_exact && Boolean(answer.combined_score));
    this.host.replaceChildren(...rows, html("div", "does", [exact, this.progress]));
    this.renderProgress();
  }

  renderProgress() {
    const { work } = this.page.explorer;
    const isWaiting = work?.state === "waiting";
    const text = isWaiting ? "waiting for other work to end" : "";
    setText(this.progress, work && !isWaiting ? workText(work, "working it out exactly") : text);
  }

  /** @param {string} text */
  say(text) {
    setText(this.progress, text);
  }
}
