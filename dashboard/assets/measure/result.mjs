// @ts-check
/* What a measurement gives: value with interval, what it has seen and what is missing, what it rests on. */
import { button, html, renderFact, renderSentence } from "../dom.mjs";
import { renderTable } from "../heat/texts.mjs";

/** @typedef {import("./answers.d.ts").Measured} Measured */
/** @typedef {import("./page.mjs").MeasurePage} MeasurePage */

/** @param {MeasurePage} page @param {Measured} measured */
export function renderResult(page, measured) {
  const { result, kept, spans } = measured;
  const isOpen = spans.some(({ open }) => open);
  const isWhole = !measured.steps.some(({ now }) => now);
  const box = page.part("result");
  box.classList.toggle("whole", isWhole);
  renderFact(box, [result && { ...result, json: null }, kept, isOpen, isWhole, page.writes, page.keptText], () => {
    const last = kept.length ? [html("small", "", `Kept last: ${kept[0]}.`)] : [];
    if (!result) return last;
    const far = html("div", "far-value", [html("b", "", result.value), html("i", "u", result.unit)]);
    far.style.setProperty("--chars", String(Math.max(result.value.length + result.unit.length * 0.28, 3.2)));
    const sure = `95 %; standard uncertainty ${result.uncertainty}`;
    const between = result.is_limit
      ? [html("small", "", `an upper limit, ${sure}`)]
      : result.interval
        ? [html("b", "", result.interval), html("small", "", sure)]
        : [html("small", "", result.value ? "no interval yet: nothing says how sure it is" : "")];
    if (result.dof) between.push(html("small", "", `${result.dof} degrees of freedom`));
    return [
      html("p", "lede", capital(result.answer) || `${page.answer?.joint || "It"}: ${result.label}`),
      ...(result.answer && result.value ? [html("small", "of-what", capital(result.label))] : []),
      ...(result.value ? [far, html("p", "interval", between)] : []),
      ...(result.claim
        ? [html("p", "claimed", `Claimed: ${result.claim}. Kept, the data sheet holds it against that.`)]
        : []),
      html("div", "does", doings(page, measured, isOpen)),
      ...(page.keptText ? [html("p", "kept", page.keptText)] : []),
      ...last,
    ];
  });
}

/** @param {MeasurePage} page @param {Measured} measured @param {boolean} isOpen */
function doings(page, { result }, isOpen) {
  const again = button("Again", () => page.again());
  if (!page.writes) return [again, html("small", "", "These pages are read-only: nothing can be kept from here.")];
  if (!result?.can_keep) return [again, html("small", "", "It can be kept once it has an interval.")];
  const keep = button("Keep it", () => page.keep(), "asked");
  keep.disabled = isOpen;
  const note = isOpen
    ? "It can be kept once the open span is done."
    : "Kept, it stands on the data sheet and in this recording.";
  return [keep, again, html("small", "", note)];
}

/**
 * What it has seen so far, in the evaluation's own words, and what is still missing.
 * @param {HTMLElement} box
 * @param {Measured} measured
 */
export function renderMissing(box, measured) {
  const { reason, result, expected, steps } = measured;
  const open = steps.filter(({ done, wants }) => !done && wants);
  renderFact(box, [reason, result && [result.unknown, result.remarks], expected, open], () => [
    ...(reason ? [line("none", [html("b", "", reason)])] : []),
    ...(result?.remarks || []).map((words) => line("abnormal", [words])),
    ...(result?.unknown || []).map(([what, why, how]) =>
      line("none", [html("b", "", `${capital(what)} is not known`), `: ${why}. `, renderSentence(how)]),
    ),
    ...open.map(({ code, words, missing, wants }) =>
      line("none", [
        html("b", "", wants > 1 ? `${missing} more` : "one"),
        ` for “${code}” `,
        html("small", "", words),
      ]),
    ),
    ...expected.map((words) => line("open", [words])),
    ...(reason || open.length || expected.length || result?.unknown.length
      ? []
      : [line("normal", ["Nothing is missing."])]),
  ]);
}

/** @param {MeasurePage} page @param {Measured} measured */
export function renderRest(page, { result }) {
  page.part("rest").hidden = !result;
  if (!result) return;
  renderTable(page.part("quantities"), {
    head: ["", "value (95 %)", "standard uncertainty", "interval by"],
    rows: result.quantities,
  });
  page.part("parts").hidden = !result.parts.length;
  renderTable(page.part("parts"), { head: ["its uncertainty comes from", "standard"], rows: result.parts });
  const { method, instruments, assumptions } = result;
  renderFact(page.part("rests"), [method, instruments, assumptions], () => [
    line("normal", [html("b", "", "Method"), `: ${method}.`]),
    ...instruments.map((one) => line("normal", [html("b", "", "Instrument"), `: ${one}.`])),
    ...assumptions.map((one) => line("open", [html("b", "", "Assumed"), `: ${one}`])),
  ]);
}

/** @param {string} text */
function capital(text) {
  return text.slice(0, 1).toUpperCase() + text.slice(1);
}

/** @param {string} mark @param {(Node | string)[]} parts */
function line(mark, parts) {
  return html("li", "", [html("span", "mark " + mark), html("span", "", parts)]);
}
