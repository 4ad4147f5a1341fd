// @ts-check
/* What was found out from the span in view: each finding leads to the span that it stands on. */
import { button, html, setText, words } from "../dom.mjs";
import { countRows, ownHeight } from "./own_height.mjs";

/** @typedef {import("./answers.d.ts").FindingRow} FindingRow */

/** Those that stand on anything of a window. @param {FindingRow[]} rows @param {[number, number]} view */
export function findingsWithin(rows, [from, to]) {
  return rows.filter((row) => row.from_s < to && row.to_s > from);
}

/** The list of findings beside the traces; not there where a recording has none. */
export class FindingList {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    /** @type {FindingRow[]} */
    this.rows = [];
    /** Those that are listed now: a window that moves among the same draws nothing anew. */
    this.listed = "";
    ownHeight(page.part("findings"));
  }

  /** @param {FindingRow[]} rows all of the recording */
  render(rows) {
    this.rows = rows;
    this.listed = "";
    this.page.part("found").hidden = !rows.length;
    this.renderView();
  }

  /** Lists those of the window. */
  renderView() {
    const { view } = this.page;
    if (!this.rows.length || !view) return;
    const within = findingsWithin(this.rows, view);
    const listed = within.map((row) => this.rows.indexOf(row)).join(" ") || "none";
    if (listed === this.listed) return;
    this.listed = listed;
    const away = this.rows.length - within.length;
    setText(this.page.part("found-away"), away ? `${away} more outside of this window` : "");
    const box = this.page.part("findings");
    box.replaceChildren(...within.map((row, at) => this.row(row, within[at - 1])));
    countRows(box, this.page.part("findings-count"));
  }

  /** A finding of several spans is told once, and leads to each. @param {FindingRow} row @param {FindingRow} [above] */
  row(row, above) {
    const isAgain = above?.title === row.title && above.text === row.text;
    const made = button("", () => this.visit(row), isAgain ? "noted again" : "noted");
    if (isAgain) made.setAttribute("aria-label", `${row.title}, also from ${row.at}`);
    const first = isAgain ? [] : [html("b", "", row.title), words(" " + row.text)];
    made.append(...first, html("small", "", isAgain ? `and from ${row.at}` : ` (${row.at})`));
    return made;
  }

  /** Shows the span that a finding stands on, with a little around it. @param {FindingRow} row */
  visit({ from_s, to_s }) {
    const around = Math.max((to_s - from_s) * 0.1, 1);
    this.page.takeSpan([from_s, to_s]);
    this.page.show(from_s - around, to_s + around);
  }
}
