// @ts-check
/* Recordings without a plan that are read as one campaign with the one that is open. */
import { html, renderFact, setText } from "../dom.mjs";

/** Offers the other recordings, and says how many are chosen. */
export class TogetherPart {
  /** @param {import("./page.mjs").CampaignPage} page */
  constructor(page) {
    this.page = page;
    this.isOpen = false;
    page.part("others").onclick = () => {
      this.isOpen = !this.isOpen;
      if (page.answer) this.render(page.answer);
    };
  }

  /** @param {import("./answers.d.ts").CampaignAnswer} answer */
  render({ choices, path }) {
    const { page } = this;
    const others = choices.filter((one) => one.path !== path);
    const chosen = page.also.length;
    const words = chosen ? `with ${chosen} other${chosen > 1 ? "s" : ""}` : "Read others with it";
    page.part("others").hidden = !path || !(others.length || chosen);
    setText(page.part("others"), words);
    page.part("others").setAttribute("aria-expanded", String(this.isOpen));
    const list = page.part("others-list");
    list.hidden = !this.isOpen || page.part("others").hidden;
    renderFact(list, others, () =>
      others.map(({ path: other, name, begun }) => {
        const box = html("input");
        box.type = "checkbox";
        box.value = other;
        box.onchange = () => {
          const rest = page.also.filter((one) => one !== other);
          page.take({ also: box.checked ? [...rest, other] : rest });
        };
        return html("label", "", [box, html("span", "", name), html("small", "", begun)]);
      }),
    );
    for (const box of list.querySelectorAll("input")) box.checked = page.also.includes(box.value);
  }
}
