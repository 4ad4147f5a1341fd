// @ts-check
/* The figures of a dragged span: exact minimum, mean, maximum and RMS of every trace. */
import { fetchSpan } from "../api.mjs";
import { html, unitLabel, words } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").SpanRow} SpanRow */
/** @typedef {import("./answers.d.ts").SpanTable} SpanTable */

const HINT = "Drag over the traces for exact minimum, mean, maximum and RMS, weighted by time.";

/** The span's table in the margin. */
export class SpanFigures {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    this.box = page.part("span");
    this.asked = 0;
  }

  /** Shows the figures of the page's span, or how to drag one. */
  async render() {
    const { span, name, signal } = this.page;
    const asked = ++this.asked;
    if (!span) {
      this.box.replaceChildren(html("h3", "", "A span's figures"), html("p", "hint", HINT));
      return;
    }
    const which = {
      start: span[0],
      end: span[1],
      ...this.page.overlay.params(),
      ...this.page.which,
      joints: this.page.drawn.shown,
    };
    try {
      const figures = await fetchSpan(name, which, signal);
      if (asked === this.asked && this.page.span) this.renderTable(figures);
    } catch (fault) {
      if (asked === this.asked) this.box.replaceChildren(html("p", "hint", fault.message));
    }
  }

  /** @param {SpanTable} figures */
  renderTable(figures) {
    const titles = ["", "", "min", "mean", "max", "RMS"].map((title) => html("th", "n", title));
    const head = html("thead", "", [html("tr", "", titles)]);
    const body = html(
      "tbody",
      "",
      figures.table.map((line) => this.row(line)),
    );
    const other = figures.other ? [html("br"), html("small", "", figures.other)] : [];
    const title = [html("h3", "", figures.title), html("small", "", figures.when), ...other];
    this.box.replaceChildren(...title, html("table", "span-table", [head, body]));
  }

  /** @param {SpanRow} line */
  row(line) {
    const title = html("td", "", line.title);
    if (line.unit) title.append(unitLabel(line.unit));
    const pen = html("span", `pen pen-${line.pen}${line.other ? " other" : ""}`);
    const joint = html("td", "", [pen, words(` ${line.joint}${line.other ? ", other" : ""}`)]);
    if (line.place) joint.append(html("small", "place", line.place));
    if (line.words) {
      /* Of a flag there are no extremes and no mean. */
      const said = html("td", "flag-words", line.words);
      said.colSpan = 4;
      return html("tr", line.title ? "first" : "", [title, joint, said]);
    }
    const values = ["minimum", "mean", "maximum", "rms"].map((key) => html("td", "n", line[key]));
    return html("tr", line.title ? "first" : "", [title, joint, ...values]);
  }
}
