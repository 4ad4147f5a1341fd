// @ts-check
/* What is done with the joint, and what is typed: steps with their times, four numbers, the question. */
import { button, html, renderFact } from "../dom.mjs";

/** @typedef {import("./page.mjs").LayoutPage} LayoutPage */
/** @typedef {import("./answers.d.ts").Step} Step */
/** @typedef {import("./answers.d.ts").LayoutAnswer} LayoutAnswer */

/**
 * The numbers that are typed: key of the address, words, unit, what it gives.
 * @type {[string, string, string, string][]}
 */
const TYPED = [
  ["ambient", "Room, and the cold joint", "degC", "which temperature is right"],
  ["supply", "Supply", "V", "the voltage"],
  ["mass", "Weight", "kg", "torque per count, with the arm"],
  ["arm", "Arm", "m", "from the axis to the weight's middle"],
];
const WAYS = /** @type {[string, string][]} */ ([
  ["first way", "the first way of the turn"],
  ["way back", "the way back"],
]);

/** @param {LayoutPage} page @param {LayoutAnswer} answer */
export function renderSteps(page, answer) {
  renderUntouched(page.part("steps"), [answer.steps, answer.live, answer.path], () =>
    answer.steps.map((step, i) => {
      const item = html("li", "found-step", [html("b", "", String(i + 1)), stepWords(step)]);
      item.append(stepTimes(page, step, answer.live));
      return item;
    }),
  );
}

/**
 * As `renderFact`, but a field that somebody is in stays: the answer to what was typed before would take away what is
 * in it by now. That is answered in its turn, and shown then.
 * @param {HTMLElement} box @param {unknown} fact @param {() => (Node | string)[]} parts
 */
function renderUntouched(box, fact, parts) {
  const field = document.activeElement;
  if (field && field.matches("input, select") && box.contains(field)) return;
  renderFact(box, fact, parts);
}

/** @param {Step} step */
function stepWords(step) {
  const title = step.name[0].toUpperCase() + step.name.slice(1);
  return html("div", "words", [html("strong", "", title), html("span", "", step.words)]);
}

/** @param {LayoutPage} page @param {Step} step @param {boolean} isLive */
function stepTimes(page, step, isLive) {
  const box = html("div", "does");
  const isOpen = step.begin_s !== null && step.end_s === null;
  if (isLive) {
    const does = button(isOpen ? "Done" : step.begin_s === null ? "Begin" : "Once more", () => page.mark(step));
    does.className = isOpen ? "asked" : "";
    does.dataset.step = step.name;
    box.append(does);
  }
  const typed = (/** @type {"begin_s" | "end_s"} */ key, /** @type {string} */ words) => {
    const input = html("input");
    input.inputMode = "decimal";
    input.value = step[key] === null ? "" : String(step[key]);
    input.setAttribute("aria-label", `${step.name}: ${words}, seconds of the recording`);
    input.placeholder = words;
    return input;
  };
  const fields = [typed("begin_s", "from s"), typed("end_s", "to s")];
  for (const field of fields)
    field.onchange = () => page.typeStep(step.name, fields[0].value.trim(), fields[1].value.trim());
  box.append(fields[0], html("span", "u", "to"), fields[1], html("span", "u", "s"));
  return box;
}

/** @param {LayoutPage} page @param {LayoutAnswer} answer */
export function renderTyped(page, answer) {
  const { question } = page;
  renderUntouched(page.part("typed"), [answer.path, answer.buses, question], () => {
    const rows = TYPED.map(([key, words, unit, gives]) => {
      const input = html("input");
      input.inputMode = "decimal";
      input.value = question[key] || "";
      input.name = key;
      input.onchange = () => page.take({ [key]: input.value.trim().replace(",", "."), find: "" });
      return html("label", "reading", [html("span", "", `${words}, ${unit}`), input, html("small", "", gives)]);
    });
    rows.push(
      choice("Positive is", WAYS, question.positive || "first way", (value) =>
        page.take({ positive: value, find: "" }),
      ),
    );
    if (answer.buses.length > 1) {
      const buses = answer.buses.map((name, i) => /** @type {[string, string]} */ ([String(i), name]));
      rows.push(choice("Bus", buses, question.bus || "0", (value) => page.take({ bus: value, find: "" })));
    }
    return rows;
  });
  const isOpen = answer.steps.some((step) => step.begin_s !== null && step.end_s === null);
  const marked = answer.steps.filter((step) => step.end_s !== null).length;
  renderFact(page.part("does"), [isOpen, marked, answer.state], () => {
    const does = button("Propose a layout", () => page.take({ find: "true" }), "asked");
    does.id = "found-find";
    does.disabled = isOpen || !marked || answer.state === "finding";
    const why = isOpen
      ? "A step is still being done."
      : marked
        ? `${marked} of 4 steps are marked; more steps decide more.`
        : "Needs at least the turn.";
    return [does, html("small", "", why)];
  });
}

/**
 * @param {string} words
 * @param {[string, string][]} options value and words of each
 * @param {string} chosen
 * @param {(value: string) => void} does
 */
function choice(words, options, chosen, does) {
  const select = html("select");
  for (const [value, text] of options) {
    const option = html("option", "", text);
    option.value = value;
    option.selected = value === chosen;
    select.append(option);
  }
  select.onchange = () => does(select.value);
  return html("label", "reading", [html("span", "", words), select]);
}
