// @ts-check
/* Which joints of an opened recording are drawn, where not all can be: how many are not, and all of them to
   choose from, the most urgent first. */
import { findAll, html, renderFact, setText } from "../dom.mjs";
import { choiceOf, FULL_WORDS, slotsOf, toggled, withJoint } from "../pens.mjs";

/** The choice of joints above the traces. */
export class DrawnJoints {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    this.box = page.part("drawn");
    /** A joint for each pen; null for the most urgent. @type {string[] | null} */
    this.slots = null;
    /** @type {import("./answers.d.ts").JointChoice[]} */
    this.joints = [];
    page.part("urgent").onclick = () => this.choose(null);
  }

  /** What a window is asked with: what is drawn, which the server need not find out again. */
  get shown() {
    return this.slots || !this.joints.length ? this.param : slotsOf(this.joints).join(",");
  }

  /** What an address says of it; empty for the most urgent. */
  get param() {
    return this.slots ? this.slots.join(",") : "";
  }

  /** @param {string} joints as an address has them */
  take(joints) {
    this.slots = joints ? joints.split(",") : null;
  }

  /** @param {import("./answers.d.ts").Overview} opened */
  render({ joints, drawn }) {
    this.joints = joints;
    this.box.hidden = !joints.length;
    this.say(`${drawn || "All drawn"}: choose`);
    this.page.part("urgent").hidden = this.slots === null;
    const host = this.page.part("joints");
    const names = joints.map(({ name }) => name);
    renderFact(host, names, () =>
      joints.map(({ name, label }) => {
        const choice = html("button", "", [html("span", "pen"), ` ${label}`]);
        choice.onclick = () => this.toggle(name);
        return choice;
      }),
    );
    findAll(host, "button").forEach((choice, i) => {
      choice.className = "pen-" + joints[i].pen;
      choice.setAttribute("aria-pressed", String(joints[i].pen > 0));
    });
  }

  /** @param {string} text */
  say(text) {
    setText(this.page.part("drawn-words"), text);
  }

  /** @param {string} joint */
  toggle(joint) {
    const slots = toggled(this.slots || slotsOf(this.joints), joint);
    if (slots) this.choose(choiceOf(slots));
    else this.say(FULL_WORDS);
  }

  /** Draws a joint that somebody wants to see, where it is not drawn. @param {string} joint */
  want(joint) {
    if (!this.joints.some(({ name, pen }) => name === joint && !pen)) return;
    this.choose(withJoint(this.slots || slotsOf(this.joints), joint));
  }

  /** @param {string[] | null} slots */
  async choose(slots) {
    this.slots = slots;
    await this.page.refresh();
    if (this.page.span) this.page.spans.render();
  }
}
