// @ts-check
/* Other recordings of the joint on the Heat page: fitted together with the one that is open, or in its place. */
import { fetchHeatOthers } from "../api.mjs";
import { html, renderFact, setText } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Other} Other */

/** The names of recordings in an address. @param {string} text */
export function namesIn(text) {
  return text.split("/").filter(Boolean);
}

/**
 * @typedef {object} Use of other recordings
 * @property {string} part the button that opens the list; the list is `part`-list
 * @property {(chosen: string[]) => string} words on the button
 * @property {string} own what stands for the recording that is open where one of all is chosen; empty: several may be
 * @property {() => string[]} chosen
 * @property {(chosen: string[]) => void} take
 */

/** Offers other recordings of the joint, and says which are chosen. */
export class OthersPart {
  /** @param {import("./page.mjs").HeatPage} page @param {Use} use */
  constructor(page, use) {
    this.page = page;
    this.use = use;
    /** The recording and joint that the list was fetched for. */
    this.listed = "";
    /** @type {Other[]} */
    this.others = [];
    this.isOpen = false;
    page.part(use.part).onclick = () => {
      this.isOpen = !this.isOpen;
      this.render();
    };
  }

  /** Shows what the page has; fetches the list where it is open and of something else. */
  render() {
    const { page, use } = this;
    setText(page.part(use.part), use.words(use.chosen()));
    page.part(use.part).setAttribute("aria-expanded", String(this.isOpen));
    page.part(use.part + "-list").hidden = !this.isOpen;
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
    const { others, use } = this;
    const chosen = use.chosen();
    /* One that an address names and that is not there can be taken out again. */
    const missing = chosen.filter((path) => !others.some((one) => one.path === path));
    const own = use.own ? [{ path: "", name: use.own, when: "" }] : [];
    const found = [...others, ...missing.map((path) => ({ path, name: path, when: "does not go with it" }))];
    const list = this.page.part(use.part + "-list");
    renderFact(list, found, () =>
      found.length
        ? [...own, ...found].map(({ path, name, when }) =>
            html("label", "", [this.box(path), html("span", "", name), html("small", "", when)]),
          )
        : [html("small", "", "No other recording here has this joint.")],
    );
    for (const box of list.querySelectorAll("input"))
      box.checked = box.value ? chosen.includes(box.value) : !chosen.length;
  }

  /** @param {string} path of a recording; empty for the one that is open */
  box(path) {
    const { use } = this;
    const box = html("input");
    Object.assign(box, { type: use.own ? "radio" : "checkbox", name: "heat-" + use.part, value: path });
    box.onchange = () => {
      const rest = use.own ? [] : use.chosen().filter((one) => one !== path);
      use.take(box.checked && path ? [...rest, path] : rest);
      this.render();
    };
    return box;
  }
}
