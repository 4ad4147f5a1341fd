// @ts-check
/* The sweep of the Limits page: which keys are varied between which values, how far it has come, and the
   trade-off picture, each point of which can be opened. */
import { fetchWork, stopWork } from "../api.mjs";
import { button, countDrawing, html } from "../dom.mjs";
import { drawPlot, purgePlot } from "../plotly.mjs";
import { screenTheme } from "../screen.mjs";
import { isUnderWay, workText } from "./explorer.mjs";
import { makeNumberBox, makeSelect } from "./form.mjs";

/** @typedef {import("./answers.d.ts").FormKey} FormKey */
/** @typedef {import("./answers.d.ts").SweepResult} SweepResult */
/** @typedef {import("./answers.d.ts").TradeOff} TradeOff */
/** @typedef {import("./answers.d.ts").Work} Work */

const AGAIN_MS = 300;
const FIRST_STEPS = 20;
const SECOND_STEPS = 10;
const PLOT = { displayModeBar: false, responsive: true };

/** @typedef {{key: string, start: number | null, to: number | null, steps: number | null}} Varied */

/** A key varied around where it is. @param {any} table @param {string} key @param {number} steps @returns {Varied} */
export function varyAround(table, key, steps) {
  const value = typeof table[key] === "number" ? table[key] : 1;
  const tidy = (/** @type {number} */ one) => Number(one.toPrecision(4));
  const [start, to] = value > 0 ? [value * 0.8, value * 1.2] : [value - 1, value + 1];
  return { key, start: tidy(start), to: tidy(to), steps };
}

/** The sweep below the lanes. */
export class LimitSweep {
  /** @param {import("./page.mjs").LimitsPage} page */
  constructor(page) {
    this.page = page;
    this.plot = page.part("trade");
    /** @type {Varied[]} */
    this.vary = [];
    /** The limit that is varied. */
    this.name = "";
    /** What was asked. @type {any} */
    this.asked = null;
    /** What came of it. @type {SweepResult | null} */
    this.result = null;
    /** The number of the work, 0 for none. */
    this.number = 0;
    this.stop = button("Stop", () => stopWork(this.number));
    this.stop.id = "judge-stop";
    const leave = () => this.number && stopWork(this.number);
    page.listen(window, "pagehide", leave);
    page.listen(page.signal, "abort", leave);
  }

  /** The keys that can be varied. @returns {FormKey[]} */
  keys() {
    const { draft } = this.page;
    const form = draft.table && this.page.formOf(draft.chosen);
    return form ? form.keys.filter((key) => key.type === "number") : [];
  }

  build() {
    const { table } = this.page.draft;
    const keys = this.keys();
    const host = this.page.part("vary");
    if (!table || !keys.length) {
      host.replaceChildren(html("p", "hint", "Choose a limit to vary its numbers."));
      return;
    }
    if (this.name !== table.name) {
      this.name = table.name;
      const first = keys.find((key) => typeof table[key.key] === "number") || keys[0];
      this.vary = [varyAround(table, first.key, FIRST_STEPS)];
    }
    const run = button("Judge them", () => this.run());
    run.id = "judge-run";
    this.stop.hidden = !this.number;
    const more = button("vary a second one", () => this.addSecond(table, keys), "plain");
    more.hidden = this.vary.length > 1 || keys.length < 2;
    const lines = this.vary.map((varied, i) => this.line(varied, i, table, keys));
    host.replaceChildren(...lines, html("div", "does", [run, this.stop, more]));
  }

  /** @param {any} table @param {FormKey[]} keys */
  addSecond(table, keys) {
    const others = keys.filter((key) => key.key !== this.vary[0].key);
    const second = others.find((key) => typeof table[key.key] === "number") || others[0];
    this.vary.push(varyAround(table, second.key, SECOND_STEPS));
    this.build();
  }

  /** @param {Varied} varied @param {number} i @param {any} table @param {FormKey[]} keys */
  line(varied, i, table, keys) {
    const options = keys.map(({ key, label }) => /** @type {[string, string]} */ ([key, label]));
    const select = makeSelect(options, varied.key, "key to vary", (key) => {
      this.vary[i] = varyAround(table, key, varied.steps || FIRST_STEPS);
      this.build();
    });
    const unit = this.page.limitForms.unit(keys.find(({ key }) => key === varied.key)?.unit || "", table);
    const box = (/** @type {"start" | "to" | "steps"} */ key, /** @type {string} */ label) =>
      makeNumberBox(varied[key], label, (value) => {
        varied[key] = value;
      });
    const [start, to, steps] = [box("start", "from"), box("to", "to"), box("steps", "steps")];
    /** @type {(Node | string)[]} */
    const sentence = [i ? "and " : "Vary ", select, " from ", start, " to ", to, ` ${unit} in `, steps, " steps"];
    if (i) {
      const leave = () => {
        this.vary.pop();
        this.build();
      };
      sentence.push(" ", button("leave it", leave, "plain"));
    }
    return html("div", "sentence", sentence);
  }

  /** @param {string[]} sentences */
  say(...sentences) {
    const box = this.page.part("sweep-said");
    box.hidden = !sentences.join("");
    box.replaceChildren(...sentences.map((sentence) => html("p", "", sentence)));
  }

  /* ---- working it out ---- */

  async run() {
    const limit = this.page.draft.table?.name;
    const vary = this.vary.map(({ key, start, to, steps }) => {
      return { limit, key, start: Number(start), to: Number(to), steps: Math.round(Number(steps)) };
    });
    const { explorer } = this.page;
    this.page.cancel("sweep");
    this.asked = explorer.question({ vary });
    try {
      this.number = await explorer.startWork("sweep", this.asked);
      if (!this.number) return;
      this.stop.hidden = false;
      this.poll(this.number);
    } catch (fault) {
      this.say(fault.message);
    }
  }

  /** @param {number} number */
  async poll(number) {
    const { page } = this;
    /** @type {Work} */
    let work;
    try {
      work = await fetchWork(number, page.signal);
    } catch (fault) {
      work = { number, state: "failed", share: 0, fault: fault.message };
    }
    if (number !== this.number) return;
    if (isUnderWay(work)) {
      const isWaiting = work.state === "waiting";
      this.say(isWaiting ? "Waiting for other work to end." : workText(work, "Judging") + ".");
      page.after("sweep", AGAIN_MS, () => this.poll(number));
      return;
    }
    this.number = 0;
    this.stop.hidden = true;
    if (work.state === "failed") this.say(work.fault || "");
    else this.render(work.result || {});
  }

  /* ---- showing ---- */

  /**
   * What was tried, but for the keys that were varied: where it is another now, the picture is of before.
   * @param {any} asked
   */
  basis({ tables, vary, recordings, bad_end }) {
    const table = tables.find((/** @type {any} */ one) => one.name === vary[0].limit) || {};
    const { dropOffs } = this.page.draft;
    const varied = vary.flatMap((/** @type {any} */ { key }) => [key, dropOffs[key]]);
    const rest = Object.entries(table).filter(([key]) => !varied.includes(key));
    return JSON.stringify([recordings, bad_end, rest.sort()]);
  }

  /** Says where the picture is of limits as they were before. */
  markAged() {
    if (!this.result?.figures) return;
    const now = { ...this.page.explorer.question(), vary: this.asked.vary };
    this.page.part("sweep-aged").hidden = this.basis(this.asked) === this.basis(now);
  }

  /** @param {SweepResult} result */
  render(result) {
    this.result = result;
    this.say(...(result.sentences || []));
    this.page.part("sweep-aged").hidden = true;
    if (!result.figures) {
      purgePlot(this.plot).then(() => this.plot.replaceChildren());
      this.page.part("best").replaceChildren();
      return;
    }
    this.draw();
    this.markAged();
    this.renderBest(result);
  }

  /** @param {TradeOff} result */
  renderBest({ head, rows, points }) {
    const heads = head.slice(1).map((title) => html("th", "", title));
    const places = new Map(
      points.map((/** @type {any} */ point, /** @type {number} */ i) => [String(point.candidate), i]),
    );
    const body = rows.map(([choice, ...cells]) => {
      const take = button("take it", () => this.open(/** @type {number} */ (places.get(cells[0]))), "plain");
      const values = cells.map((cell, i) => html("td", i === 1 ? "changes" : "n", cell));
      const name = html("td", "", choice ? "the choice" : "");
      return html("tr", choice ? "open" : "", [name, ...values, html("td", "", [take])]);
    });
    const top = html("thead", "", [html("tr", "", [html("th"), ...heads, html("th")])]);
    this.page.part("best").replaceChildren(html("table", "best", [top, html("tbody", "", body)]));
  }

  async draw() {
    const figure = this.result?.figures?.[screenTheme()];
    if (!figure) return;
    const plot = /** @type {any} */ (this.plot);
    await drawPlot(plot, figure, PLOT);
    plot.removeAllListeners("plotly_click");
    plot.on("plotly_click", (/** @type {any} */ event) => this.open(event.points[0].customdata));
    countDrawing(this.plot);
  }

  /** A candidate's values become those of the page. @param {number} place */
  open(place) {
    const point = this.result?.points?.[place];
    if (!point) return;
    const { page } = this;
    const { draft } = page;
    const placeOf = (/** @type {string} */ limit) => draft.tables.findIndex((table) => table.name === limit);
    const gone = point.changes.find((change) => placeOf(change.limit) < 0);
    if (gone) {
      this.say(`There is no limit named ${gone.limit} on this page any more.`);
      return;
    }
    for (const { limit, key, value } of point.changes) {
      const i = placeOf(limit);
      draft.replaceTable(i, { ...draft.tables[i], [key]: value });
    }
    const changed = placeOf(point.changes[0].limit);
    if (changed === draft.chosen) {
      page.limitForms.build();
      page.ask();
    } else page.chooseLimit(changed);
    page.part("worth").scrollIntoView({ block: "center", behavior: "smooth" });
  }
}
