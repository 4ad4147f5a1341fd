// @ts-check
/* For how long loads are held: numbers of one unit below each other, at their points; lines where a peak lies. */
import { html, renderFact } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").BorneTable} BorneTable */
/** @typedef {import("./answers.d.ts").BorneCell} BorneCell */

/** @param {HTMLElement} box @param {BorneTable} table */
export function renderBorneTable(box, table) {
  renderFact(box, [table.columns, table.rows, table.lines], () => {
    const { columns, rows, lines } = table;
    const head = columns.map(({ head: text, kind }) => html("th", kind, text));
    const body = rows.map(({ cells, beyond }) => {
      const row = html(
        "tr",
        beyond ? "beyond" : "",
        cells.map((cell, at) => html("td", columns[at].kind, cellNodes(cell))),
      );
      if (beyond) row.title = beyond;
      return row;
    });
    /* From the last one, so that those before it stay where they are. */
    for (const { before, words } of [...lines].reverse()) {
      const cell = html("td", "", words);
      cell.colSpan = columns.length;
      body.splice(before, 0, html("tr", "peak", [cell]));
    }
    return [html("table", "borne-table", [html("thead", "", [html("tr", "", head)]), html("tbody", "", body)])];
  });
}

/** A number at its point, and small what is said of it. @param {BorneCell} cell */
function cellNodes([value, note]) {
  const [whole, decimals] = value.split(".");
  const isNumber = /^\d+$/.test(whole);
  const shown = isNumber
    ? [html("b", "whole", whole), html("b", "decimals", decimals === undefined ? "" : "." + decimals)]
    : [html("b", "", value)];
  return note ? [...shown, html("small", "", note)] : shown;
}

/** The table as rows of texts, for a file. @param {BorneTable} table */
export function borneRows({ columns, rows }) {
  const text = (/** @type {BorneCell} */ [value, note]) => (note ? `${value} (${note})` : value);
  return {
    head: [...columns.map(({ head }) => head), "by heat alone: it is"],
    rows: rows.map(({ cells, beyond }) => [...cells.map(text), beyond]),
  };
}
