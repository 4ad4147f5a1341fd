// @ts-check
/* Another joint beside the one that is shown: chosen from a list, drawn in the rows, told in a table. */
import { html, renderFact } from "../dom.mjs";
import { renderTable } from "../heat/texts.mjs";

/** Offers the other joints of the folder. */
export class ComparisonPart {
  /** @param {import("./page.mjs").CampaignPage} page */
  constructor(page) {
    this.page = page;
    this.select = html("select");
    this.select.id = "campaign-other";
    this.select.setAttribute("aria-label", "Which joint beside it");
    page.part("both-end").replaceChildren(this.select);
    page.listen(this.select, "change", () => page.take({ other: this.select.value }));
  }

  /** @param {import("./answers.d.ts").Shown} answer */
  render({ others, other, other_said, both }) {
    const { page } = this;
    page.part("both-section").hidden = !others.length;
    const choices = [{ key: "", name: "Choose another" }, ...others];
    renderFact(this.select, choices, () =>
      choices.map(({ key, name }) => {
        const option = html("option", "", name);
        option.value = key;
        return option;
      }),
    );
    this.select.value = other;
    const label = others.find(({ key }) => key === other)?.name || "";
    const pen = html("span", "pen other-pen");
    renderFact(page.part("both-said"), [label, other_said], () =>
      label ? [pen, ` ${label} in the rows above, from its own first hour on`, other_said && `: ${other_said}`] : [],
    );
    if (both) renderTable(page.part("both"), both);
    else {
      page.part("both").replaceChildren();
      delete page.part("both").dataset.is;
    }
  }
}
