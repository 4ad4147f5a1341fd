// @ts-check
/* The sentence, tables and lists of the Heat page. */
import { button, html, markedLine, renderFact, renderSentence, saveText } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Fitted} Fitted */
/** @typedef {{head: string[], rows: string[][]}} Rows */

/**
 * The answer as one sentence: words in the serif, results bold, units and intervals small.
 * @param {HTMLElement} box
 * @param {Fitted} answer
 * @param {() => void} fitAgain
 */
export function renderAnswer(box, { sentence, copy, live, until }, fitAgain) {
  renderFact(box, [sentence, live, until], () => {
    const parts = sentenceNodes(sentence);
    const copied = button("Copy the sentence", async () => {
      await navigator.clipboard.writeText(copy);
      copied.textContent = "Copied";
      setTimeout(() => (copied.textContent = "Copy the sentence"), 2000);
    });
    const does = live ? [copied, button("Fit again", fitAgain)] : [copied];
    const note = live ? [html("small", "", `Still recording: fitted to what was there at ${until}.`)] : [];
    return [html("p", "answer-sentence", parts), html("div", "does", does), ...note];
  });
}

/**
 * The parts of a sentence: words in the serif, the rest set apart.
 * @param {import("./answers.d.ts").Part[]} sentence
 */
export function sentenceNodes(sentence) {
  return sentence.map(([kind, text]) =>
    kind === "words"
      ? document.createTextNode(text)
      : html("span", kind, kind === "unit" ? "\u202f" + text : kind === "interval" ? `\u00a0(${text})` : text),
  );
}

/** @param {HTMLElement} box @param {Rows} table */
export function renderTable(box, { head, rows }) {
  renderFact(box, [head, rows], () => {
    const cells = (/** @type {"td" | "th"} */ kind, /** @type {string[]} */ texts) =>
      html(
        "tr",
        "",
        texts.map((text, i) => (kind === "td" && i ? valueCell(text) : html(kind, "", text))),
      );
    return [
      html("table", "", [
        html("thead", "", [cells("th", head)]),
        html(
          "tbody",
          "",
          rows.map((row) => cells("td", row)),
        ),
      ]),
    ];
  });
}

/** A value bold, its interval in brackets small. @param {string} text */
function valueCell(text) {
  const match = /^(.*?) (\(.*\))(.*)$/.exec(text);
  if (!match) return html("td", "", text);
  return html("td", "", [html("b", "", match[1]), " ", html("small", "", match[2]), match[3]]);
}

/** @param {HTMLElement} box @param {string[]} lines */
export function renderList(box, lines) {
  renderFact(box, lines, () => lines.map((line) => html("li", "", line)));
}

/** Hands a table to the browser as a file. @param {Rows} table @param {string} name */
export function saveTable({ head, rows }, name) {
  const cell = (/** @type {string} */ text) => (/[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
  const text = [head, ...rows].map((row) => row.map(cell).join(",")).join("\r\n") + "\r\n";
  saveText(text, name, "text/csv");
}

/** What is not known, and what would settle it. @param {HTMLElement} box @param {[string, string][]} rows */
export function renderUnknown(box, rows) {
  renderFact(box, rows, () =>
    rows.length
      ? rows.map(([what, remedy]) => markedLine("none", [html("b", "", what), ": ", renderSentence(remedy), "."]))
      : [markedLine("normal", ["Nothing of this model is left open."])],
  );
}

/** When something changed, and what. @param {HTMLElement} box @param {[string, string][]} rows */
export function renderChanges(box, rows) {
  renderFact(box, rows, () =>
    rows.map(([when, what]) => markedLine("abnormal", [html("b", "", when), ": " + what + "."])),
  );
}
