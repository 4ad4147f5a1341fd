// @ts-check
/* The Data sheet page: one joint held against what its maker claims, and up to five beside it. The address holds
   both, so that it can be sent to a colleague. */
import { fetchDataSheet } from "../api.mjs";
import { addressOf } from "../request.mjs";
import { button, byId, emptyPage, faultNote, html, renderFact, setText } from "../dom.mjs";
import { saveTable } from "../heat/texts.mjs";
import { Page } from "../page.mjs";
import { comparedContent } from "./compared.mjs";
import { claimRows, printedNotes } from "./rows.mjs";

/** @typedef {import("./answers.d.ts").SheetAnswer} SheetAnswer */

const AGAIN_MS = 3000;
const REFRESH_MS = 30000;
/** Of more specimens one is chosen from a list. */
const MOST_BESIDE = 5;
const MOST_BUTTONS = 6;
const EMPTY = /** @type {[string, string][]} */ ([
  ["Say what is claimed, in the bench file", "[joint.claims]"],
  ["Record the bench", "dutytrace record bench.toml"],
  ["Keep what was found", "dutytrace heat RECORDING --hottest 80degC --keep"],
]);

/** @param {{key: string, name: string}[]} specimens */
function specimenOptions(specimens) {
  return specimens.map(({ key, name }) => {
    const option = html("option", "", name);
    option.value = key;
    return option;
  });
}

/** State and asking of the Data sheet page. */
export class DataSheetPage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    this.joint = "";
    /** @type {string[]} */
    this.others = [];
    /** @type {SheetAnswer | null} */
    this.answer = null;
    this.select = html("select");
    this.select.id = "datasheet-other";
    this.select.setAttribute("aria-label", "Which joint beside it");
    this.chosen = html("span", "chosen-beside");
    this.part("beside-choice").replaceChildren(this.chosen, this.select);
    this.listen(this.select, "change", () => {
      if (this.select.value) this.take({ others: [...this.others, this.select.value] });
    });
    this.part("csv").onclick = () => {
      if (this.answer?.table) saveTable(this.answer.table, `${this.answer.chosen}-data-sheet.csv`);
    };
    this.part("print").onclick = () => window.print();
    this.listen(window, "popstate", () => this.route());
    this.every(REFRESH_MS, () => this.fetch());
    this.route();
  }

  /** @param {string} name */
  part(name) {
    return byId("datasheet-" + name);
  }

  route() {
    const query = new URLSearchParams(location.search);
    this.joint = query.get("joint") || "";
    this.others = query.getAll("other");
    this.fetch();
  }

  /** @param {object} changes of the view */
  take(changes) {
    Object.assign(this, changes);
    history.replaceState(null, "", addressOf("/sheet", { joint: this.joint, other: this.others }));
    this.fetch();
  }

  async fetch() {
    const { joint, others } = this;
    try {
      const answer = await fetchDataSheet({ joint, other: others }, this.signal);
      this.part("lost").replaceChildren();
      if (joint === this.joint && others === this.others) this.render(answer);
    } catch (fault) {
      this.renderFault(/** @type {any} */ (fault));
      this.after("again", AGAIN_MS, () => this.fetch());
    }
  }

  /** @param {any} fault */
  renderFault(fault) {
    this.part("opened").hidden = false;
    this.part("lost").replaceChildren(faultNote(fault, "The data sheet cannot be shown."));
  }

  /** @param {SheetAnswer} answer */
  render(answer) {
    this.answer = answer;
    const isEmpty = !answer.specimens.length;
    this.part("empty").hidden = !isEmpty;
    this.part("opened").hidden = isEmpty;
    if (isEmpty) {
      const lede = `There are no recordings in ${answer.folder} yet.`;
      renderFact(this.part("empty"), lede, () => emptyPage(lede, EMPTY));
      this.root.dataset.state = "empty";
      return;
    }
    document.title = `Data sheet: ${answer.chosen} – dutytrace`;
    const pen = `pen-${answer.specimens.find(({ key }) => key === answer.chosen)?.pen || 1}`;
    renderFact(this.part("joints"), [answer.specimens, answer.chosen], () => this.specimenChoice(answer));
    setText(this.part("about"), answer.about);
    renderFact(this.part("said"), answer.sentence, () => this.sentence(answer));
    renderFact(this.part("rows"), [answer.rows, answer.dates, pen], () => claimRows(answer, pen));
    this.part("rule").hidden = !answer.rows.some(({ claimed }) => claimed);
    renderFact(this.part("notes"), answer.notes, () => answer.notes.map((note) => html("li", "", note)));
    renderFact(this.part("conditions"), answer.conditions, () =>
      answer.conditions.map((line) => html("li", "", line)),
    );
    renderFact(this.part("numbered"), answer.rows, () => printedNotes(answer.rows));
    const untested = answer.rows.filter(({ value }) => !value).map(({ label }) => label);
    const rest = "whatever is no row above.";
    setText(this.part("untested"), [...untested, rest].join("; "));
    this.renderBeside(answer);
    this.root.dataset.state = "shown";
  }

  /** Buttons for some specimens, a list for many. @param {SheetAnswer} answer */
  specimenChoice({ specimens, chosen }) {
    const choose = (/** @type {string} */ joint) => this.take({ joint, others: [] });
    if (specimens.length > MOST_BUTTONS) {
      const select = html("select", "", specimenOptions(specimens));
      select.setAttribute("aria-label", "Which joint");
      select.value = chosen;
      select.onchange = () => choose(select.value);
      return [select];
    }
    return specimens.map(({ key, name, pen }) => {
      const choice = button("", () => choose(key));
      choice.append(html("span", `pen pen-${pen}`), " ", name);
      choice.setAttribute("aria-pressed", String(key === chosen));
      return choice;
    });
  }

  /** @param {SheetAnswer} answer */
  sentence({ sentence, copy }) {
    const parts = sentence.map(([kind, text]) =>
      kind === "words" ? document.createTextNode(text) : html("span", kind, text),
    );
    const copied = button("Copy the sentence", async () => {
      await navigator.clipboard.writeText(copy);
      copied.textContent = "Copied";
      this.after("copied", 2000, () => (copied.textContent = "Copy the sentence"));
    });
    return [html("p", "answer-sentence", parts), html("div", "does", [copied])];
  }

  /** @param {SheetAnswer} answer */
  renderBeside(answer) {
    const left = answer.specimens.filter(({ key }) => key !== answer.chosen && !answer.others.includes(key));
    this.part("beside").hidden = answer.specimens.length < 2;
    renderFact(this.select, left, () => specimenOptions([{ key: "", name: "Put another beside it" }, ...left]));
    this.select.value = "";
    this.select.hidden = !left.length || answer.others.length >= MOST_BESIDE;
    renderFact(this.chosen, answer.others, () => answer.others.map((key) => this.besideButton(answer, key)));
    const { compared } = answer;
    const count = compared?.questions || 0;
    renderFact(this.part("differences"), compared, () => (compared ? comparedContent(compared) : []));
    const none = compared ? "Nothing was measured of them under like conditions." : "";
    const asked = count === 1 ? "one question" : `${count} questions at once`;
    const rule = `“More than chance” after Holm over ${asked}: wrong in at most 5 of 100 pages of equal joints. The
      intervals hold all together in 95 of 100. What two have in common, an arm or a scale, is left out.`;
    setText(this.part("beside-rule"), count ? rule.replace(/\s+/g, " ") : none);
  }

  /** Takes one of those beside it away. @param {SheetAnswer} answer @param {string} key */
  besideButton({ specimens, others }, key) {
    const name = specimens.find((one) => one.key === key)?.name || key;
    const away = button(`${name} ×`, () => this.take({ others: others.filter((one) => one !== key) }));
    away.setAttribute("aria-label", `Take ${name} away`);
    return away;
  }
}
