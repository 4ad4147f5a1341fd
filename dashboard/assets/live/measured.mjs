// @ts-check
/* What the recording answers already of what there is to measure on the bench, and what comes next: a line a joint,
   by the programme of `dutytrace measure plan`. */
import { fetchProgramme } from "../api.mjs";
import { byId, renderFact } from "../dom.mjs";
import { answeredLines } from "../measure/programme.mjs";

const AGAIN_MS = 60000;

/** The lines of measurements below the traces of Live. */
export class MeasuredLines {
  /** @param {import("../page.mjs").Page} page */
  constructor(page) {
    this.page = page;
    this.path = "";
    page.every(AGAIN_MS, () => this.fetch());
  }

  /** Another recording is shown. @param {string} path */
  take(path) {
    if (path === this.path) return;
    this.path = path;
    this.fetch();
  }

  async fetch() {
    const { path, page } = this;
    if (!path || document.hidden) return;
    try {
      const { joints } = await fetchProgramme(path, page.signal);
      if (path === this.path) renderFact(byId("live-measured"), [path, joints], () => answeredLines(path, joints));
    } catch {
      /* It is asked again in a minute; that a server is gone is said elsewhere. */
    }
  }
}
