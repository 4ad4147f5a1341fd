// @ts-check
/* The steps of a measurement: the list, what to do now, and the value that is read from the bench. */
import { html, renderFact, setText } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Step} Step */

/** @param {HTMLElement} list @param {Step[]} steps @param {number} pen */
export function renderSteps(list, steps, pen) {
  renderFact(list, [steps, pen], () =>
    steps.map((step, i) => {
      const item = html("li", step.now ? `now pen-${pen}` : step.done ? "done" : "");
      const state = step.done ? "done" : step.now ? "now" : "";
      const count = step.wants > 1 && step.have ? `${Math.min(step.have, step.wants)} of ${step.wants}` : "";
      const below = html("small", "", [
        step.done ? html("span", "mark normal") : "",
        ` ${[state, count].filter(Boolean).join(", ")}`,
      ]);
      const title = step.code[0].toUpperCase() + step.code.slice(1);
      item.append(html("b", "", String(i + 1)), html("span", "words", title), below);
      if (step.now) item.setAttribute("aria-current", "step");
      return item;
    }),
  );
}

/** @param {HTMLElement} box @param {Step[]} steps */
export function renderDo(box, steps) {
  const now = steps.filter((step) => step.now);
  renderFact(
    box,
    now.map(({ words }) => words),
    () =>
      now.length
        ? now.map(({ words }) => html("p", words.length > 75 ? "long" : "", words))
        : [html("p", "", "Every step has what it takes.")],
  );
}

/**
 * The newest value, as large as there is room: its characters share the width.
 * @param {HTMLElement} box
 * @param {import("./answers.d.ts").NewestValue | null} newest null: nothing came yet, and the step waits
 */
export function renderValue(box, newest) {
  if (!newest) {
    box.replaceChildren(html("small", "age", "No data of this joint yet: the step waits for it."));
    return;
  }
  if (box.children.length < 3) {
    const far = html("div", "far-value", [html("b"), html("i", "u")]);
    box.replaceChildren(html("small"), far, html("small", "age"));
  }
  const [label, far, age] = /** @type {HTMLElement[]} */ ([...box.children]);
  setText(label, `${newest.label}, now`);
  setText(far.children[0], newest.value);
  setText(far.children[1], newest.unit);
  setText(age, newest.age);
  box.classList.toggle("stale", Boolean(newest.age));
  /* A unit is about a third as tall as the digits. */
  far.style.setProperty("--chars", String(Math.max(newest.value.length + newest.unit.length * 0.28, 3.2)));
}

/**
 * What has to keep right meanwhile: a tile each, and a plate with how to go on for what does not.
 * @param {HTMLElement} box
 * @param {import("./answers.d.ts").Watched[]} watched
 */
export function renderWatched(box, watched) {
  renderFact(box, watched, () => {
    const mark = (/** @type {string} */ state) => html("span", `mark ${state}`);
    const tiles = watched.map(({ label, value, unit, state, words }) =>
      html("div", "watched", [
        html("small", "", label),
        html("b", "", [value, " ", html("i", "u", unit)]),
        html("small", "", [mark(state), ` ${state === "normal" ? words : "not right"}`]),
      ]),
    );
    const wrong = watched.filter(({ state }) => state !== "normal");
    const plates = wrong.map(({ state, words }) =>
      html("p", `plate-of-${state}`, [mark(state), html("b", "", ` ${words}`)]),
    );
    return [...plates, html("div", "tiles-of-watch", tiles)];
  });
}
