// @ts-check
/* The curve of the open limit where its kind has one: time against load. */
import { setText } from "../dom.mjs";
import { drawPlot } from "../plotly.mjs";

const CURVED = new Set(["inverse-time", "thermal"]);
const PLOT = { displayModeBar: false, responsive: true };

/** The picture of the curve. */
export class CurvePicture {
  /** @param {import("./page.mjs").LimitsPage} page */
  constructor(page) {
    this.page = page;
    this.plot = page.part("curve");
    this.isAsking = false;
    this.isStale = false;
  }

  /** Asks for the curve of the open limit; one question at a time. */
  async fetch() {
    const { table } = this.page.draft;
    const host = this.page.part("curved");
    if (!table || !CURVED.has(table.kind)) {
      host.hidden = true;
      return;
    }
    this.isStale = this.isAsking;
    if (this.isAsking) return;
    this.isAsking = true;
    try {
      const { figure, title, drawn } = await this.page.explorer.post("curve", this.page.explorer.question());
      /* Another limit may have been chosen since: this is not its picture. */
      if (this.page.draft.table?.name === table.name) {
        host.hidden = !figure;
        setText(this.page.part("curve-title"), [title, drawn].filter(Boolean).join("; "));
        if (figure) drawPlot(this.plot, figure, PLOT);
      }
    } catch {
      host.hidden = true;
    }
    this.isAsking = false;
    if (this.isStale) this.fetch();
  }
}
