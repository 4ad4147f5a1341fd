// @ts-check
/* Where the ambient comes from, on the Heat page: the joint's own channel, an instrument's, or what a person read
   off a thermometer and types here, with its time. */
import { html, renderFact } from "../dom.mjs";

const TYPED = "typed";

/** The choice, and the field of what is typed. */
export class AmbientPart {
  /** @param {import("./page.mjs").HeatPage} page */
  constructor(page) {
    this.page = page;
    this.select = html("select");
    this.select.id = "heat-ambient";
    /** What was typed and asked for; what is typed further is not touched. */
    this.asked = "";
    this.field = html("input");
    Object.assign(this.field, {
      id: "heat-typed-field",
      type: "text",
      maxLength: 2000,
      autocomplete: "off",
      spellcheck: false,
      placeholder: "09:00 22.5degC; 11:30 24degC",
    });
    page.part("ambient-box").replaceChildren(this.select);
    page.part("typed-box").replaceChildren(this.field);
    page.listen(this.select, "change", () => {
      const isTyped = this.select.value === TYPED;
      this.show(isTyped);
      if (isTyped) this.field.focus();
      else page.take({ ambient: this.select.value, room: null });
    });
    page.listen(this.field, "change", () => {
      this.asked = this.field.value.trim();
      page.take({ ambient: this.asked, room: null });
    });
  }

  /** @param {boolean} isTyped */
  show(isTyped) {
    this.page.part("typed").hidden = !isTyped;
  }

  /** @param {import("./answers.d.ts").HeatAnswer} answer */
  render({ ambient, ambients, joint }) {
    const { page, select, field } = this;
    page.part("ambient-rule").hidden = !joint;
    renderFact(select, ambients, () =>
      [["", "the joint's own, if it has one"], ...ambients.map((one) => [one, one]), [TYPED, "typed by hand"]].map(
        ([value, text]) => {
          const option = html("option", "", text);
          option.value = value;
          return option;
        },
      ),
    );
    if (page.isStale) return;
    page.ambient = ambient;
    /* While somebody types, an answer to what was asked before changes nothing of it. */
    const isBegun = select.value === TYPED && !ambient;
    if (isBegun || (document.activeElement === field && field.value.trim() !== this.asked)) return;
    const isTyped = ambient !== "" && !ambients.includes(ambient);
    select.value = isTyped ? TYPED : ambient;
    if (isTyped || !ambient) field.value = ambient;
    this.show(isTyped);
  }
}
