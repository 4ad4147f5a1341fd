// @ts-check
/* What is in the way of the Bus page: a recording that cannot be shown, or a server that says nothing. */
import { html, renderFact } from "../dom.mjs";

/** How long a server may be silent before it is said. */
export const LOST_MS = 3000;

/** The notice above the page. */
export class BusNotice {
  /** @param {import("./page.mjs").BusPage} page */
  constructor(page) {
    this.page = page;
    this.box = page.part("lost");
    /** What is in the way. @type {"" | "server" | "recording"} */
    this.lost = "";
    this.answered_ms = performance.now();
  }

  /** For how long the server has not answered. */
  get quiet_ms() {
    return performance.now() - this.answered_ms;
  }

  /** A server answered; `isShown`: with what was asked for. @param {boolean} [isShown] */
  markAnswered(isShown = false) {
    this.answered_ms = performance.now();
    if (!this.lost || (this.lost === "recording" && !isShown)) return;
    this.lost = "";
    this.box.replaceChildren();
    delete this.box.dataset.is;
  }

  /** @param {"server" | "recording"} lost @param {string} headline @param {string} rest */
  renderNotice(lost, headline, rest) {
    this.lost = lost;
    this.page.part("opened").hidden = false;
    renderFact(this.box, headline + rest, () => {
      const said = html("div", "said", [html("b", "", headline), html("span", "", rest)]);
      return [html("div", "notice-line", [html("span", "mark none"), said])];
    });
  }

  /** @param {string} [caution] */
  renderSilence(caution = "") {
    const headline = `This page has heard nothing from the server for ${Math.round(this.quiet_ms / 1000)} s.`;
    this.renderNotice("server", headline, caution + " Trying again by itself.");
  }

  /** @param {import("../request.mjs").RequestError} fault */
  renderFault(fault) {
    if (!fault.lost) this.renderNotice("recording", "This recording cannot be shown.", " " + fault.message);
    else if (this.quiet_ms > LOST_MS) this.renderSilence(" What stands here is from before.");
  }
}
