// @ts-check
/* The programme for a joint: what there is to measure, in which order, and what is answered already. */
import { addressOf } from "../request.mjs";
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
    steps.map(({ kind, title, why, levels, takes, answered, needed }) => {
      const state = answered
        ? [html("span", "mark normal"), " kept already"]
        : [html("span", `mark ${needed?.enough ? "open" : "none"}`), ` ${needed?.words || `about ${takes}`}`];
      return html("li", "", [
        button(title, () => choose(kind), "plain"),
        html("span", "words", levels ? `${why}; ${levels}` : why),
        html("small", "", state),
      ]);
    }),
  );
}

/**
 * One line a joint of what its recording answers, for Live: what is kept, what can be answered from it, how much more
 * the others take that have begun, and what comes next. Empty where nothing was begun yet.
 * @param {string} recording
 * @param {JointProgramme[]} joints
 */
export function answeredLines(recording, joints) {
  return joints.flatMap(({ name, label, heat, steps }) => {
    const link = (/** @type {string} */ page, /** @type {string} */ words, kind = "") => {
      const to = html("a", "", words);
      to.href = addressOf(`/${page}/` + encodeURIComponent(recording), { joint: name, kind });
      return to;
    };
    const kept = steps.filter(({ answered }) => answered).map(({ title }) => title.toLowerCase());
    /** @type {(Node | string)[][]} */
    const parts = kept.length ? [[`${kept.join(", ")} measured`]] : [];
    for (const { kind, title, answered, needed } of steps)
      if (needed && !answered) parts.push([link("measure", title.toLowerCase(), kind), `: ${needed.words}`]);
    if (heat) parts.push([link("heat", "K/W"), `: ${heat.words}`]);
    if (!parts.length) return [];
    const next = steps.find(({ answered, needed }) => !answered && !needed);
    if (kept.length && next)
      parts.push([link("measure", `${next.title.toLowerCase()} next, about ${next.takes}`, next.kind)]);
    if (kept.length === steps.length) parts.push(["all of it"]);
    return [html("span", "", [`${label}: `, ...parts.flatMap((part, i) => (i ? ["; ", ...part] : part))])];
  });
}
