// @ts-check
/* The notice above the Live picture: one at a time, changed in place while it stays the same kind. */
import { button, byId, find, html } from "../dom.mjs";

/** @param {string} path */
export function replayAddress(path) {
  return "/replay/" + encodeURIComponent(path);
}

/** @typedef {[string, string | (() => void)]} Action a label with an address or something to do */

/** What the page itself says of logger, server and network. */
export class Notice {
  constructor() {
    this.box = byId("live-lost");
    /** The kind of notice that is shown, null for none. @type {string | null} */
    this.kind = null;
    this.text = "";
  }

  clear() {
    this.kind = null;
    this.text = "";
    this.box.replaceChildren();
  }

  /** @param {string} kind @param {string} headline @param {string} rest @param {Action} [action] */
  show(kind, headline, rest, action) {
    const text = headline + rest;
    if (this.kind === kind && this.text === text) return;
    this.text = text;
    if (this.kind === kind) {
      /* Only the words are others: a button that somebody is about to press stays. */
      find(this.box, "b").textContent = headline;
      find(this.box, ".rest").textContent = rest;
      return;
    }
    this.kind = kind;
    const said = html("div", "said", [html("b", "", headline), html("span", "rest", rest)]);
    const parts = [html("span", "mark none"), said];
    if (action) parts.push(this.actionPart(action));
    this.box.replaceChildren(html("div", "notice-line", parts));
  }

  /** @param {Action} action */
  actionPart([label, does]) {
    if (typeof does === "function") return button(label, does);
    const link = html("a", "", label);
    link.href = does;
    return link;
  }

  /** Says what stands in the way of a picture that goes on. @param {import("./messages.d.ts").Status} status */
  showStatus({ stopped, quiet, path }) {
    if (stopped?.ended) {
      const headline = `The test ended at ${stopped.time}, after ${stopped.elapsed}.`;
      const rest = " This page goes on by itself with the next one.";
      this.show("ended", headline, rest, ["Open it in Replay", replayAddress(path)]);
    } else if (stopped) {
      const kept = "What it wrote until then is kept. This page goes on by itself once a logger writes again.";
      const headline = `The logger stopped ${stopped.duration} ago,`;
      this.show("stopped", headline, ` at ${stopped.time}. ${kept}`, ["Look at it in Replay", replayAddress(path)]);
    } else if (quiet) {
      const rest = ` The logger is running; the last frame came at ${quiet.time}.`;
      this.show("quiet", `No joint has been heard for ${quiet.duration}.`, rest);
    } else if (this.kind && this.kind !== "lost") this.clear();
  }
}
