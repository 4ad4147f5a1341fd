// @ts-check
/* The head of the Heat page. */
import { html, renderFact, setText } from "../dom.mjs";

/** Of more joints one is chosen from a list. */
const MOST_BUTTONS = 8;

/** What people call the joint that is open; empty for none. @param {import("./answers.d.ts").HeatAnswer} answer */
export function openLabel({ joints, joint }) {
  return joints.find(({ name }) => name === joint)?.label || joint;
}

/** @typedef {(joint: string) => void} Take */

/** @param {import("./answers.d.ts").HeatAnswer} answer @param {Take} take */
function jointButtons(answer, take) {
  return answer.joints.map(({ name, label, pen }) => {
    const choice = html("button", "", [html("span", `pen pen-${pen}`), " ", label]);
    choice.setAttribute("aria-pressed", String(name === answer.joint));
    choice.onclick = () => take(name);
    return choice;
  });
}

/** @param {import("./answers.d.ts").HeatAnswer} answer @param {Take} take */
function jointList(answer, take) {
  const select = html("select");
  select.setAttribute("aria-label", "Joint");
  select.replaceChildren(
    ...answer.joints.map(({ name, label }) => {
      const option = html("option", "", label);
      option.value = name;
      option.selected = name === answer.joint;
      return option;
    }),
  );
  select.onchange = () => take(select.value);
  return select;
}

/**
 * The joints and the recording.
 * @param {import("./page.mjs").HeatPage} page
 * @param {import("./answers.d.ts").HeatAnswer} answer
 */
export function renderHead(page, answer) {
  renderFact(page.part("joints"), [answer.joints, answer.joint], () => {
    const take = (/** @type {string} */ joint) => page.take({ joint, limit: null });
    return answer.joints.length > MOST_BUTTONS ? [jointList(answer, take)] : jointButtons(answer, take);
  });
  setText(page.part("from"), answer.name + ", " + answer.when);
  if (answer.state === "fitted") return;
  /** @type {HTMLAnchorElement} */ (page.part("replay")).href = "/replay/" + encodeURIComponent(answer.path);
  setText(page.part("replay"), "Open it in Replay");
}
