// @ts-check
/* The head of the Heat page. */
import { html, renderFact, setText } from "../dom.mjs";

/** What people call the joint that is open; empty for none. @param {import("./answers.d.ts").HeatAnswer} answer */
export function openLabel({ joints, joint }) {
  return joints.find(({ name }) => name === joint)?.label || joint;
}

/**
 * The joints and the recording.
 * @param {import("./page.mjs").HeatPage} page
 * @param {import("./answers.d.ts").HeatAnswer} answer
 */
export function renderHead(page, answer) {
  renderFact(page.part("joints"), [answer.joints, answer.joint], () =>
    answer.joints.map(({ name, label, pen }) => {
      const choice = html("button", "", [html("span", `pen pen-${pen}`), " ", label]);
      choice.setAttribute("aria-pressed", String(name === answer.joint));
      choice.onclick = () => page.take({ joint: name, limit: null });
      return choice;
    }),
  );
  setText(page.part("from"), answer.name + ", " + answer.when);
  /** @type {HTMLAnchorElement} */ (page.part("replay")).href = "/replay/" + encodeURIComponent(answer.path);
}
