// @ts-check
/* A planned motion on the joint that is open: a CSV file that is chosen or dropped, and what the joint does under it.
   The file stays in this page: the address holds how it is changed, and what it did can be copied. */
import { fetchMotion } from "../api.mjs";
import { button, html, renderFact, setText } from "../dom.mjs";
import { renderList, sentenceNodes } from "./texts.mjs";

const AGAIN_MS = 900;
const TURNED_MS = 250;
/** As many letters as the server takes (dashboard/heat/motion_request.py). */
const MOST_LETTERS = 250_000;
const HINT =
  "Choose a CSV file, or drop one on this page: a head line with time_s, torque_Nm or current_A, and " +
  "speed_rad_s if known; a value holds until the next row.";
/** What a field is without anything in it. @type {Record<string, string>} */
const PLAIN = { factor: "1", stretch: "1", times: "" };

/** A chosen file, its three fields, and the answer. */
export class MotionPart {
  /** @param {import("./page.mjs").HeatPage} page */
  constructor(page) {
    this.page = page;
    /** @type {{file: string, text: string} | null} */
    this.motion = null;
    this.isOpen = false;
    this.isAsking = false;
    this.isStale = false;
    this.file = html("input");
    Object.assign(this.file, { id: "heat-motion-file", type: "file", accept: ".csv,text/csv,text/plain" });
    page.part("motion-file-box").replaceChildren(this.file);
    page.listen(this.file, "change", () => this.take(this.file.files?.[0]));
    this.fields = Object.fromEntries(Object.keys(PLAIN).map((name) => [name, this.field(name)]));
    page.part("motion-open").onclick = () => {
      this.isOpen = !this.isOpen;
      this.render();
      if (this.isOpen) this.file.focus();
    };
    this.listenToDrops();
  }

  /** @param {string} name */
  field(name) {
    const { page } = this;
    const input = html("input");
    const least = name === "times" ? 1 : 0.01;
    Object.assign(input, { id: "heat-" + name, type: "number", min: String(least), value: PLAIN[name] });
    Object.assign(input, name === "times" ? { step: "1", placeholder: "for ever" } : { max: "100", step: "any" });
    page.part(name + "-box").replaceChildren(input);
    page.listen(input, "input", () => page.after("motion", TURNED_MS, () => this.ask()));
    return input;
  }

  /** A file may be let go anywhere on the page: a browser would open it in the page's place. */
  listenToDrops() {
    const { page } = this;
    page.listen(page.root, "dragover", (event) => {
      if (![...event.dataTransfer.types].includes("Files")) return;
      event.preventDefault();
      event.dataTransfer.dropEffect = "copy";
    });
    page.listen(page.root, "drop", (event) => {
      const file = event.dataTransfer.files[0];
      if (!file) return;
      event.preventDefault();
      this.file.value = "";
      this.take(file);
    });
  }

  /** @param {File} [file] */
  async take(file) {
    if (!file) return;
    this.isOpen = true;
    this.motion = null;
    const text = file.size <= MOST_LETTERS ? await file.text().catch(() => null) : "";
    if (text) this.motion = { file: file.name, text };
    this.render();
    setText(this.page.part("motion-name-said"), file.name);
    if (this.motion) return this.ask();
    const most = `${MOST_LETTERS / 1000} kB here: leave rows out where the load stays, or use dutytrace heat --motion`;
    const isLong = file.size > MOST_LETTERS;
    const found = isLong
      ? `${Math.ceil(file.size / 1000)} kB, expected at most ${most}`
      : "no text, expected a CSV file";
    this.tell(`${file.name}: found ${found}.`);
  }

  /** What the address holds of it; nothing where nothing is changed. */
  view() {
    const held = Object.entries(this.fields).filter(([name, input]) => input.value !== PLAIN[name]);
    return Object.fromEntries(held.map(([name, input]) => [name, input.value]));
  }

  /** Takes what an address holds. @param {URLSearchParams} query */
  route(query) {
    for (const [name, input] of Object.entries(this.fields)) input.value = query.get(name) || PLAIN[name];
    this.isOpen = Object.keys(this.view()).length > 0 || Boolean(this.motion);
  }

  render() {
    const { page, isOpen } = this;
    page.part("motion-open").setAttribute("aria-expanded", String(isOpen));
    page.part("motion").hidden = !isOpen;
    if (isOpen && !page.part("motion-answer").firstChild) this.tell(HINT);
  }

  /** @param {string} text in the place of an answer */
  tell(text) {
    renderFact(this.page.part("motion-answer"), text, () => [html("p", "hint", text)]);
    renderList(this.page.part("motion-lines"), []);
    this.page.part("motion").dataset.state = "";
  }

  /** The file, a field, a rule or the joint has changed. */
  async ask() {
    const { page, motion } = this;
    page.saveAddress(() => page.address());
    if (!motion || page.gone) return;
    if (page.answer?.state !== "fitted")
      return this.tell("The joint is not fitted: nothing is known of the motion on it.");
    const bad = Object.values(this.fields).find((input) => !input.validity.valid);
    if (bad) return this.tell(`${page.part(bad.id.slice(5) + "-words").textContent}: ${bad.validationMessage}`);
    if (this.isAsking) {
      this.isStale = true;
      return;
    }
    this.isAsking = true;
    this.isStale = false;
    const { name } = page;
    const { form, theme, ...view } = page.question();
    const changes = Object.fromEntries(
      Object.entries(this.view()).map(([field, value]) => [field, value === "" ? null : Number(value)]),
    );
    const question = { ...view, holding: Boolean(view.holding), ...changes, ...motion, recording: name };
    try {
      const answer = await fetchMotion(question, page.id, page.signal);
      if (!this.isStale && page.name === name && this.motion === motion) this.renderAnswer(answer);
    } catch (fault) {
      this.tell(fault.lost ? "The server cannot be reached." : fault.message);
    }
    this.isAsking = false;
    if (this.isStale) this.ask();
  }

  /** @param {import("./answers.d.ts").MotionAnswer} answer */
  renderAnswer(answer) {
    const { page } = this;
    if (answer.state === "fitting") page.after("motion", AGAIN_MS, () => this.ask());
    else if (answer.state === "refused") this.tell(answer.refused);
    else {
      renderFact(page.part("motion-answer"), answer.sentence, () => {
        const copied = button("Copy this sentence", async () => {
          await navigator.clipboard.writeText(answer.copy);
          copied.textContent = "Copied";
          setTimeout(() => (copied.textContent = "Copy this sentence"), 2000);
        });
        return [html("p", "answer-sentence", sentenceNodes(answer.sentence)), html("div", "does", [copied])];
      });
      renderList(page.part("motion-lines"), answer.lines);
    }
    page.part("motion").dataset.state = answer.state;
  }
}
