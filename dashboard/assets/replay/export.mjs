// @ts-check
/* What Replay hands on: the dragged span (or the window) cut out as a recording of its own, and the
   recording packed as one file. */
import { cutOut, packedAddress } from "../api.mjs";
import { byId, html, opensElsewhere, setText, words } from "../dom.mjs";

/** The buttons below the span's figures. */
export class CutAndPack {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    this.box = byId("past-hand-on");
    this.pack = /** @type {HTMLAnchorElement} */ (byId("past-pack"));
    this.result = byId("past-made");
    /* Not there where nothing may be written. */
    this.button = /** @type {HTMLButtonElement | null} */ (document.getElementById("past-cut"));
    this.name = "";
    this.isCutting = false;
    if (this.button) this.button.onclick = () => this.cut();
  }

  render() {
    const { opened, view, name, span } = this.page;
    this.box.hidden = !opened || !view;
    if (this.box.hidden) return;
    if (this.name !== name) {
      this.name = name;
      this.result.replaceChildren();
    }
    this.pack.hidden = !opened.packs;
    this.pack.href = packedAddress(name);
    if (!this.button) return;
    this.button.disabled = this.isCutting;
    setText(this.button, this.isCutting ? "Cutting out…" : span ? "Cut out the dragged span" : "Cut out this window");
  }

  async cut() {
    const { name, span, view } = this.page;
    const chosen = span || view;
    if (!chosen) return;
    this.isCutting = true;
    this.result.replaceChildren();
    this.render();
    try {
      this.renderResult(await cutOut({ recording: name, start_s: chosen[0], end_s: chosen[1] }));
    } catch (fault) {
      setText(this.result, fault.message);
    }
    this.isCutting = false;
    this.render();
  }

  /** @param {{name: string, path: string, missing: string[]}} cut */
  renderResult(cut) {
    const link = html("a", "", cut.name);
    link.href = "/replay/" + encodeURIComponent(cut.path);
    link.onclick = (event) => {
      if (opensElsewhere(event)) return;
      event.preventDefault();
      this.page.open(cut.path);
    };
    const missing = cut.missing.length ? ". Not all could be read: " + cut.missing.join(" ") : "";
    this.result.replaceChildren(words("Cut out as "), link, words(missing));
    if (!this.page.gone) this.page.list.refresh();
  }
}
