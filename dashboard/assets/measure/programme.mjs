// @ts-check
/* The programme for a joint: what there is to measure, in which order, and what is answered already. */
import { addressOf } from "../api.mjs";
import { button, html } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").JointProgramme} JointProgramme */

/**
 * The programme as a list, each kind of which can be chosen.
 * @param {JointProgramme} programme
 * @param {(kind: string) => void} choose
 */
export function programmeList({ steps }, choose) {
  return html(
    "ol",
    "programme",
    steps.map(({ kind, title, why, levels, takes, answered }) => {
      const state = answered
        ? [html("span", "mark normal"), " kept already"]
        : [html("span", "mark none"), ` about ${takes}`];
      return html("li", "", [
        button(title, () => choose(kind), "plain"),
        html("span", "words", levels ? `${why}; ${levels}` : why),
        html("small", "", state),
      ]);
    }),
  );
}

/**
 * One line a joint of what its recording answers, for Live; empty where nothing was measured yet.
 * @param {string} recording
 * @param {JointProgramme[]} joints
 */
export function answeredLines(recording, joints) {
  return joints
    .filter(({ steps }) => steps.some(({ answered }) => answered))
    .map(({ name, label, steps }) => {
      const done = steps.filter(({ answered }) => answered).map(({ title }) => title.toLowerCase());
      const next = steps.find(({ answered }) => !answered);
      const link = html("a", "", next ? `${next.title.toLowerCase()} next, about ${next.takes}` : "all of it");
      const path = "/measure/" + encodeURIComponent(recording);
      link.href = addressOf(path, { joint: name, kind: next?.kind });
      return html("span", "", [`${label}: ${done.join(", ")} measured; `, link]);
    });
}
