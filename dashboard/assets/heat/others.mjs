// @ts-check
/* Further recordings of the joint, fitted together with the one that is open: a list in the head of the Heat page. */
import { fetchHeatOthers } from "../api.mjs";
import { html, renderFact, setText } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Other} Other */

/** The names of recordings in an address. @param {string} text */
export function namesIn(text) {
  return text.split("/").filter(Boolean);
}

/** Offers further recordings, and says how many are chosen. */
export class OthersPart {
  /** @param {import("./page.mjs").HeatPage} page */
  constructor(page) {
    this.page = page;
    /** The recording and joint that the list was fetched for. */
    this.listed = "";
    /** @type {Other[]} */
    this.others = [];
    this.isOpen = false;
    page.part("others").onclick = () => {
      this.isOpen = !this.isOpen;
      this.render();
    };
  }

  /** Shows what the page has; fetches the list where it is open and of something else. */
  render() {
    const { page } = this;
    const { also } = page;
    const words = also.length ? `with ${also.length} other${also.length > 1 ? "s" : ""}` : "Fit others with it";
    setText(page.part("others"), words);
    page.part("others").setAttribute("aria-expanded", String(this.isOpen));
    page.part("others-list").hidden = !this.isOpen;
    if (!this.isOpen) return;
    const wanted = JSON.stringify([page.name, page.joint]);
    if (this.listed === wanted) this.renderList();
    else this.fetch(wanted);
  }

  /** @param {string} wanted */
  async fetch(wanted) {
    const { page } = this;
    this.listed = wanted;
    this.others = [];
    try {
      const { others } = await fetchHeatOthers(page.name, page.joint, page.signal);
      if (this.listed !== wanted || page.gone) return;
      this.others = others;
      this.renderList();
    } catch {
      /* That the server cannot be reached is said by the page, which tries again and comes here again. */
      if (this.listed === wanted) this.listed = "";
    }
  }

  renderList() {
    const { page, others } = this;
    const { also } = page;
    /* One that an address names and that is not there can be taken out again. */
    const missing = also.filter((path) => !others.some((one) => one.path === path));
    const rows = [...others, ...missing.map((path) => ({ path, name: path, when: "does not go with it" }))];
    const list = page.part("others-list");
    renderFact(list, rows, () =>
      rows.length
        ? rows.map(({ path, name, when }) => {
            const box = html("input");
            box.type = "checkbox";
            box.value = path;
            box.onchange = () => {
              const rest = page.also.filter((one) => one !== path);
              page.take({ also: box.checked ? [...rest, path] : rest });
              this.render();
            };
            return html("label", "", [box, html("span", "", name), html("small", "", when)]);
          })
        : [html("small", "", "No other recording here has this joint.")],
    );
    for (const box of list.querySelectorAll("input")) box.checked = also.includes(box.value);
  }
}
