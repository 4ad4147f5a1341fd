// @ts-check
/* The fields of one reading: its value with unit, what it is read at, what its instrument is read to. */
import { html } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Kind} Kind */
/** @typedef {import("./answers.d.ts").Measured} Measured */

/**
 * @typedef {object} ReadingForm
 * @property {HTMLFormElement} element
 * @property {(measured: Measured) => void} follow takes over what is so now
 * @property {() => void} focus
 */

/**
 * @param {import("./page.mjs").MeasurePage} page
 * @param {Kind} kind
 * @param {string} name of the reading; "*" for any
 * @param {(text: string) => Promise<boolean>} add
 * @returns {ReadingForm}
 */
export function readingForm(page, kind, name, add) {
  const rule = kind.readings.find((one) => one.name === name) || {
    name,
    words: "",
    at: [],
    at_span: false,
    repeats: "",
  };
  const isAny = name === "*";
  const called = field("name, such as mass", "its name");
  const value = field(exampleOf(rule.words), isAny ? "value with unit" : `${name}, with unit`);
  const at = field("", `${name} is read at`);
  const division = field("such as 1 mm", `${isAny ? "it" : name} is read to`);
  division.value = page.measurement.divisions.get(name) || "";
  const isAt = rule.at.length > 0 || rule.at_span;
  const form = html("form", "reading");
  const labelled = (/** @type {string} */ words, /** @type {HTMLInputElement} */ input) =>
    html("label", "", [html("span", "", words), input]);
  form.append(
    ...(isAny ? [labelled("what", called)] : []),
    labelled(isAny ? "reads" : name, value),
    ...(isAt ? [labelled("at", at)] : []),
    labelled("instrument read to", division),
    html("button", "", "Type it in"),
    html("small", "", rule.words),
  );
  const keyOf = () => (isAny ? called.value.trim() : name);
  const takeDivision = () => {
    const key = keyOf();
    if (!key || (page.measurement.divisions.get(key) || "") === division.value.trim()) return;
    if (division.value.trim()) page.measurement.divisions.set(key, division.value.trim());
    else page.measurement.divisions.delete(key);
    page.take({});
  };
  division.onchange = takeDivision;
  form.onsubmit = async (event) => {
    event.preventDefault();
    const behind = isAt ? at.value.trim() || at.dataset.now || "" : "";
    if (!value.value.trim()) return value.focus();
    takeDivision();
    if (await add(`${keyOf()}=${value.value.trim()}${behind ? ` at ${behind}` : ""}`)) {
      value.value = "";
      if (!rule.at_span) at.value = "";
      value.focus();
    }
  };
  return {
    element: form,
    focus: () => value.focus(),
    follow: (measured) => {
      /* What it is read at is what is so now: the current, else the span that was marked last. */
      const [, unit] = (measured.value?.at || "").split(" ");
      const closed = measured.spans.filter(({ open }) => !open);
      const own = rule.at.includes(unit) ? measured.value?.at || "" : "";
      const last = rule.at_span && !rule.at.length ? closed[closed.length - 1]?.name || "" : "";
      const before = page.measurement.readings.findLast((text) => text.startsWith(`${rule.repeats}=`)) || "";
      const same = rule.repeats ? before.split(" at ")[1] || "" : "";
      at.dataset.now = same || own || last;
      at.placeholder = at.dataset.now
        ? `${at.dataset.now}${same ? ", as before" : ", now"}`
        : rule.at.includes("N")
          ? "such as +10 N"
          : "";
    },
  };
}

/** @param {string} placeholder @param {string} label */
function field(placeholder, label) {
  const input = html("input");
  Object.assign(input, { type: "text", placeholder, autocomplete: "off", maxLength: 80 });
  input.setAttribute("aria-label", label);
  return input;
}

/** What the words of a rule give as an example. @param {string} words */
function exampleOf(words) {
  const match = /such as ([^,]+?)(?: at .*| with .*)?(?:,.*)?$/.exec(words);
  return match ? `such as ${match[1]}` : "";
}
