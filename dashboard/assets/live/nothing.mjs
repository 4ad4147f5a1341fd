// @ts-check
/* What Live shows in place of joints and picture while nothing is being recorded, or nothing can be read. */
import { byId, emptyPage, html } from "../dom.mjs";
import { replayAddress } from "./notice.mjs";

const EMPTY = /** @type {[string, string][]} */ ([
  ["Record the bench", 'dutytrace record bench.toml --name "fan test"'],
  ["See it with simulated joints", "dutytrace demo"],
]);

/**
 * Shows it in place of the page's body.
 * @param {string | null} last the path of the last recording
 * @param {string} fault why nothing can be read; empty if it can
 */
export function renderNothing(last, fault) {
  byId("live-body").hidden = true;
  const box = byId("live-empty");
  box.hidden = false;
  if (fault) {
    const words = html("small", "", `${fault} This page goes on by itself as soon as it can be read.`);
    box.replaceChildren(html("p", "lede", "What is being recorded cannot be read."), words);
    return;
  }
  const [lede, steps] = emptyPage("Nothing is being recorded.", EMPTY);
  if (last) {
    const link = html("a", "", "Open it in Replay");
    link.href = replayAddress(last);
    steps.append(html("li", "", [html("span", "words", "Look at the last test"), html("span", "", [link])]));
  }
  const hint = html("small", "", "This page begins by itself as soon as a logger writes.");
  box.replaceChildren(lede, steps, hint);
}
