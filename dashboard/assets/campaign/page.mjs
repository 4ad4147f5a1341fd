// @ts-check
/* The Campaign page: weeks of cycles of one joint, and whether anything changed. A campaign is read on the server
   once, by a process of its own; the address holds the view, so that it can be sent to a colleague. */
import { fetchCampaign } from "../api.mjs";
import { addressOf } from "../request.mjs";
import { button, byId, countDrawing, emptyPage, faultNote, findAll, html, renderFact, setText } from "../dom.mjs";
import { renderList, renderTable, saveTable, sentenceNodes } from "../heat/texts.mjs";
import { isPageKey } from "../keys.mjs";
import { recordingInAddress, takeOpened } from "../opened.mjs";
import { Page } from "../page.mjs";
import { offerRecordings } from "../recording_choice.mjs";
import { ComparisonPart } from "./comparison.mjs";
import { renderChanged, renderDays, renderNews, renderOpen } from "./lists.mjs";
import { drawCampaign } from "./picture.mjs";
import { TogetherPart } from "./together.mjs";

/** @typedef {import("./answers.d.ts").CampaignAnswer} CampaignAnswer */
/** @typedef {import("./answers.d.ts").Shown} Shown */

const AGAIN_MS = 600;
const LOST_MS = 3000;
const REFRESH_MS = 60000;
const HOW = /** @type {[string, string][]} */ ([
  ["Write stages, and what ends each", "plan.toml"],
  ["See whether it can end", "dutytrace plan check plan.toml --bench bench.toml"],
  ["Record, and follow it", "dutytrace record bench.toml --plan plan.toml"],
]);

/** State and asking of the Campaign page. */
export class CampaignPage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    this.id = Math.random().toString(36).slice(2);
    this.of = "";
    this.joint = "";
    /** Recordings without a plan that are read with it. @type {string[]} */
    this.also = [];
    this.isAsItCame = false;
    /** Another joint that is put other: a recording and its joint. */
    this.other = "";
    /** @type {CampaignAnswer | null} */
    this.answer = null;
    this.select = html("select");
    this.select.id = "campaign-select";
    this.part("choice").replaceChildren(this.select);
    this.together = new TogetherPart(this);
    this.comparison = new ComparisonPart(this);
    this.listen(this.select, "change", () => this.take({ of: this.select.value, joint: "", also: [], other: "" }));
    for (const choice of findAll(this.part("shown"), "button"))
      choice.onclick = () => this.show(choice.dataset.shown === "came");
    this.listen(document, "keydown", (event) => this.onKey(event));
    this.listen(window, "popstate", () => this.route());
    this.onScreenChange(() => this.fetch());
    this.every(REFRESH_MS, () => this.answer?.live && this.fetch());
    this.route();
  }

  /** @param {string} name */
  part(name) {
    return byId("campaign-" + name);
  }

  route() {
    const query = new URLSearchParams(location.search);
    this.of = recordingInAddress("campaign") || takeOpened();
    this.joint = query.get("joint") || "";
    this.also = (query.get("also") || "").split("/").filter(Boolean);
    this.other = query.get("other") || "";
    this.isAsItCame = query.get("shown") === "came";
    this.fetch();
  }

  /** @param {object} changes of the view */
  take(changes) {
    Object.assign(this, changes);
    this.fetch();
  }

  address() {
    const path = "/campaign" + (this.of ? "/" + encodeURIComponent(this.of) : "");
    const shown = this.isAsItCame ? "came" : "";
    return addressOf(path, { joint: this.joint, also: this.also.join("/"), other: this.other, shown });
  }

  /** @param {boolean} asItCame */
  show(asItCame) {
    this.isAsItCame = asItCame;
    this.saveAddress(() => this.address());
    if (this.answer?.state === "shown") this.drawPicture(this.answer);
  }

  /** @param {KeyboardEvent} event */
  onKey(event) {
    if (!isPageKey(event) || this.answer?.state !== "shown") return;
    if (event.key.toLowerCase() === "l") this.show(!this.isAsItCame);
    if (event.key !== "[" && event.key !== "]") return;
    const links = findAll(this.part("changes"), "a");
    const at = links.indexOf(/** @type {HTMLElement} */ (document.activeElement));
    const next = event.key === "]" ? at + 1 : at < 0 ? links.length - 1 : at - 1;
    links[(next + links.length) % (links.length || 1)]?.focus();
  }

  async fetch(again = false) {
    const { of, joint, other } = this;
    const also = this.also.join("/");
    try {
      const answer = await fetchCampaign({ of, joint, also, other, again: again || "" }, this.id, this.signal);
      this.part("lost").replaceChildren();
      const isWanted = of === this.of && joint === this.joint && other === this.other;
      if (isWanted && also === this.also.join("/")) this.render(answer);
    } catch (fault) {
      this.part("opened").hidden = false;
      this.part("lost").replaceChildren(faultNote(/** @type {any} */ (fault), "The campaign cannot be shown."));
      this.after("again", LOST_MS, () => this.fetch());
    }
  }

  /** @param {CampaignAnswer} answer */
  render(answer) {
    const isNothing = answer.state === "empty" || answer.state === "unchosen";
    this.part("empty").hidden = !isNothing;
    this.part("opened").hidden = answer.state === "empty";
    offerRecordings(this.select, answer.choices, answer.state === "unchosen" ? "" : answer.path || this.of);
    this.root.dataset.state = answer.state;
    if (isNothing) this.renderNothing(answer);
    else this.renderAsked(answer);
    this.together.render(answer);
  }

  /** @param {CampaignAnswer} answer */
  renderNothing(answer) {
    this.answer = answer;
    const nothing = `There are no recordings in ${answer.folder} yet.`;
    const lede =
      answer.state === "empty"
        ? nothing
        : "No recording here follows a plan. Choose one to have its cycles found, or:";
    renderFact(this.part("empty"), lede, () => emptyPage(lede, HOW));
    this.part("shown").hidden = true;
    this.select.value = "";
  }

  /** @param {CampaignAnswer} answer of a campaign */
  renderAsked(answer) {
    this.select.value = answer.path;
    this.of = answer.path;
    this.joint = answer.joint || this.joint;
    this.saveAddress(() => this.address());
    renderFact(this.part("joints"), [answer.joints, answer.joint], () => this.jointChoice(answer));
    /* What is there stays to be read while it is read anew. */
    const isKept = answer.state === "reading" && this.answer?.state === "shown" && this.answer.path === answer.path;
    if (answer.state === "reading" || (answer.state === "shown" && answer.reading))
      this.after("again", AGAIN_MS, () => this.fetch());
    if (isKept && this.answer?.joint === answer.joint) return;
    this.answer = answer;
    this.part("shown").hidden = answer.state !== "shown";
    if (answer.state === "shown") this.renderAnswer(answer);
    else this.renderWaiting(answer);
  }

  /** @param {CampaignAnswer} answer */
  renderWaiting(answer) {
    setText(this.part("name"), "Campaign");
    setText(this.part("about"), answer.choices.find(({ path }) => path === answer.path)?.name || answer.path);
    renderFact(this.part("facts"), [], () => []);
    this.part("still").replaceChildren();
    const refused = answer.state === "refused" ? answer : null;
    const words = "Reading the cycles. Where none were recorded they are found in the readings: minutes for days.";
    renderFact(this.part("said"), refused || words, () =>
      refused
        ? [
            html("p", "lede", [html("span", "mark none"), " Nothing is known of cycles here yet."]),
            html("p", "", [refused.present, refused.present && " ", refused.refused]),
          ]
        : [html("p", "lede", words)],
    );
  }

  /** @param {CampaignAnswer} answer */
  jointChoice({ joints, joint }) {
    if (joints.length < 2) return [];
    return joints.map(({ name, label, pen }) => {
      const choice = button("", () => this.take({ joint: name }));
      choice.append(html("span", `pen pen-${pen}`), " ", label);
      choice.setAttribute("aria-pressed", String(name === joint));
      return choice;
    });
  }

  /** @param {Shown} answer */
  renderAnswer(answer) {
    document.title = `Campaign: ${answer.title} – dutytrace`;
    setText(this.part("name"), answer.title);
    setText(this.part("about"), answer.about);
    renderFact(this.part("facts"), answer.facts, () =>
      answer.facts.map(([value, unit, text], at) =>
        html("div", at ? "" : "first", [
          html("dt", "", text),
          html("dd", "", [value, ...(unit ? [html("i", "u", unit)] : [])]),
        ]),
      ),
    );
    const still = answer.news.find(({ mark }) => mark === "danger");
    renderFact(this.part("still"), still, () =>
      still
        ? [html("p", "stands-still", [html("span", "mark danger"), html("b", "", still.lead), " ", still.text])]
        : [],
    );
    renderFact(this.part("said"), [answer.sentence, answer.live && answer.until], () => this.sentence(answer));
    setText(this.part("news-said"), `from ${answer.since}, ${answer.since_cycles}`);
    renderNews(this.part("news"), answer.news);
    const judged = answer.picture.rows.some((row) => row.judged);
    renderChanged(
      this.part("changes"),
      answer.changes,
      judged
        ? "No change is more than chance. What is too small to be seen stands in the table below."
        : "Figures are judged from seven days of cycles on.",
    );
    renderOpen(this.part("unknown"), answer.unknown);
    this.part("unknown-section").hidden = !answer.unknown.length;
    renderTable(this.part("figures"), answer.figures);
    this.comparison.render(answer);
    this.part("figures-section").hidden = !answer.figures.rows.length;
    renderDays(this.part("days"), answer.days);
    renderFact(this.part("days-end"), answer.path, () => [
      button("Save as CSV", () => this.answer?.state === "shown" && saveTable(this.answer.days, "days.csv"), "plain"),
    ]);
    renderList(this.part("notes"), answer.notes);
    this.drawPicture(answer);
  }

  /** @param {Shown} answer */
  sentence({ sentence, copy, live, until }) {
    const copied = button("Copy the sentence", async () => {
      await navigator.clipboard.writeText(copy);
      copied.textContent = "Copied";
      this.after("copied", 2000, () => (copied.textContent = "Copy the sentence"));
    });
    const does = live ? [copied, button("Read again", () => this.fetch(true))] : [copied];
    const note = live ? [html("small", "", `Still recording: what was there at ${until}.`)] : [];
    return [html("p", "answer-sentence", sentenceNodes(sentence)), html("div", "does", does), ...note];
  }

  /** @param {Shown} answer */
  drawPicture(answer) {
    const { picture } = answer;
    for (const choice of findAll(this.part("shown"), "button"))
      choice.setAttribute("aria-pressed", String((choice.dataset.shown === "came") === this.isAsItCame));
    setText(
      this.part("legend"),
      this.isAsItCame
        ? "hours as they came; dotted: at like warmth"
        : "lowest, mean, highest hour of a bin; ink: level between changes and slope, grey: 95 % of the slope",
    );
    const box = this.part("picture");
    const pen = answer.joints.find(({ name }) => name === answer.joint)?.pen || 1;
    this.root.dataset.pen = String(pen);
    const how = { width: Math.max(Math.floor(box.clientWidth), 300), pen, asItCame: this.isAsItCame };
    renderFact(box, [picture, how], () => [drawCampaign(picture, how)]);
    countDrawing(box);
  }
}
