// @ts-check
/* Limits from the model that is shown, handed to the Limits page as a draft: nothing is put into force by that. */
import { fetchLimitsFromModel } from "../api.mjs";
import { html } from "../dom.mjs";
import { keepProposed } from "../proposed.mjs";

/**
 * Asks for limits of the joint that is open, and opens them on the Limits page.
 * @param {import("./page.mjs").HeatPage} page
 * @param {any} view as the page asks for it
 */
export async function proposeLimits(page, view) {
  const said = page.part("limits-said");
  const tell = (/** @type {string} */ text) =>
    said.replaceChildren(html("div", "notice-line", [html("span", "mark none"), html("div", "said", text)]));
  tell("Trying them on this recording, every reading of it.");
  try {
    const answer = await fetchLimitsFromModel(page.name, view, page.id, page.signal);
    if (answer.state === "proposed") {
      keepProposed(answer);
      location.assign("/limits");
    } else tell(answer.state === "refused" ? answer.refused : "The joint is still being fitted.");
  } catch (fault) {
    if (!page.gone) tell(fault.lost ? "The server cannot be reached." : fault.message);
  }
}
