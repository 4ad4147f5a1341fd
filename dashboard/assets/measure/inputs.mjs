// @ts-check
/* What a person enters at the bench: spans begun and done, and readings with their units. Fields of what is to be
   done now stand open; all others of the kind below them. */
import { checkReading } from "../api.mjs";
import { button, html, renderFact, setText } from "../dom.mjs";
import { readingForm } from "./reading_form.mjs";

/** @typedef {import("./page.mjs").MeasurePage} MeasurePage */
/** @typedef {import("./answers.d.ts").MeasureAnswer} MeasureAnswer */
/** @typedef {import("./answers.d.ts").Measured} Measured */
/** @typedef {import("./answers.d.ts").Kind} Kind */
/** @typedef {import("./answers.d.ts").SpanRole} SpanRole */
/** @typedef {import("./reading_form.mjs").ReadingForm} ReadingForm */

/** The fields and buttons of the Measure page. */
export class Inputs {
  /** @param {MeasurePage} page */
  constructor(page) {
    this.page = page;
    /** @type {ReadingForm[]} */
    this.forms = [];
    /** @type {SpanRole[]} */
    this.roles = [];
    /** @type {Measured | null} */
    this.measured = null;
    this.isLive = false;
    /** The ends of a span of a recording that is over, as they stand in their fields. */
    this.ends = ["from", "to"].map((label) => {
      const input = html("input");
      Object.assign(input, { type: "number", min: "0", step: "any", inputMode: "decimal" });
      input.setAttribute("aria-label", `Span ${label}, in seconds since the start`);
      return input;
    });
    this.isListening = false;
  }

  /** @param {MeasureAnswer} answer @param {Measured} measured @param {Kind} kind */
  render(answer, measured, kind) {
    this.measured = measured;
    this.isLive = answer.live;
    this.roles = rolesOf(measured);
    this.renderSpans(kind);
    this.renderNoted(measured);
    this.renderReadings(kind);
    this.renderHave();
    for (const form of this.forms) form.follow(measured);
  }

  /* ---- spans ---- */

  /** @param {Kind} kind */
  renderSpans(kind) {
    const { page, roles, isLive } = this;
    const { open } = page.measurement;
    const box = page.part("marks");
    box.hidden = !roles.length && !open;
    renderFact(box, [kind.name, roles, open?.name, isLive], () => {
      if (open) {
        const done = button(`Done: ${open.name}`, () => this.closeSpan(), "asked");
        return [
          done,
          button("Leave it out", () => this.dropSpan(open.name)),
          html("small", "", " is being recorded as this span"),
        ];
      }
      if (isLive)
        return [
          ...roles.map(({ next }, i) => button(`Begin ${next}`, () => this.openSpan(next), i ? "" : "asked")),
          html("small", "", " then move the joint; B on the keyboard does the same"),
        ];
      const marks = roles.map(({ next }) => button(`Mark as ${next}`, () => this.markSpan(next)));
      const whole = kind.finds ? [button("Take the whole recording", () => this.markWhole())] : [];
      return [
        html("label", "", ["from ", this.ends[0], " s"]),
        html("label", "", ["to ", this.ends[1], " s"]),
        ...marks,
        ...whole,
        html("small", "", " or drag over the trace above"),
      ];
    });
  }

  /** Spans that notes name are taken with one press, each or all of them. @param {Measured} measured */
  renderNoted({ noted }) {
    const { page } = this;
    const box = page.part("noted");
    box.hidden = !noted.length || Boolean(page.measurement.open);
    renderFact(box, noted, () => {
      const all = button(`Take ${noted.length === 1 ? noted[0].name : `all ${noted.length}`}`, () =>
        page.take({ spans: [...page.measurement.spans, ...noted] }),
      );
      const each = noted.length < 2 ? [] : noted.map((one) => this.takeNoted(one));
      return [html("small", "", "named by notes of this recording: "), all, ...each];
    });
  }

  /** @param {import("./answers.d.ts").NotedSpan} span */
  takeNoted(span) {
    const take = button(span.name, () => this.page.take({ spans: [...this.page.measurement.spans, span] }), "plain");
    take.setAttribute("aria-label", `Take ${span.name}, named by a note`);
    return take;
  }

  /** A span that is dragged on the trace stands in the fields. */
  listenToCourse() {
    const plot = /** @type {any} */ (this.page.plots.course);
    if (this.isListening || !plot.on) return;
    this.isListening = true;
    plot.on("plotly_selected", (/** @type {any} */ chosen) => {
      const across = chosen?.range?.x;
      if (!across) return;
      const ends = across.map(Number).sort((/** @type {number} */ a, /** @type {number} */ b) => a - b);
      this.ends.forEach((input, i) => (input.value = String(Math.max(Math.round(ends[i] * 1000) / 1000, 0))));
    });
  }

  /** Begins the next span or ends the open one; whether there is one. */
  toggleSpan() {
    if (!this.isLive || !(this.roles.length || this.page.measurement.open)) return false;
    if (this.page.measurement.open) this.closeSpan();
    else this.openSpan(this.roles[0].next);
    return true;
  }

  /** @param {string} name */
  async openSpan(name) {
    const { page } = this;
    const begin_s = await this.now();
    if (begin_s === null || page.measurement.open) return;
    page.take({ spans: [...page.measurement.spans, { name, begin_s, end_s: null }] });
  }

  async closeSpan() {
    const { page } = this;
    const end_s = await this.now();
    const { open, spans } = page.measurement;
    if (end_s === null || !open) return;
    const closed = { ...open, end_s: Math.max(end_s, open.begin_s + 0.001) };
    page.take({ spans: spans.map((one) => (one === open ? closed : one)) });
  }

  /** The newest instant; null where nobody can tell it. */
  async now() {
    try {
      return await this.page.now();
    } catch (fault) {
      this.page.renderFault(fault);
      return null;
    }
  }

  /** @param {string} name */
  markSpan(name) {
    const [begin_s, end_s] = this.ends.map((input) => (input.value === "" ? NaN : Number(input.value)));
    if (!(begin_s >= 0 && end_s > begin_s)) {
      this.refuse("A span needs two times in seconds, the later one behind: from 12 to 72.");
      return;
    }
    this.refuse("");
    this.page.take({ spans: [...this.page.measurement.spans, { name, begin_s, end_s }] });
  }

  markWhole() {
    const end_s = Math.floor((this.measured?.now_s || 0) * 1000) / 1000;
    this.page.take({ spans: [{ name: "all", begin_s: 0, end_s }] });
  }

  /** @param {string} name */
  dropSpan(name) {
    this.page.take({ spans: this.page.measurement.spans.filter((one) => one.name !== name) });
  }

  /* ---- readings ---- */

  /** @param {Kind} kind */
  renderReadings(kind) {
    const { measured, page } = this;
    if (!measured) return;
    const now = measured.steps.filter((step) => step.now).flatMap(({ readings }) => readings);
    const first = [...new Set(now)];
    const rest = kind.readings.map(({ name }) => name).filter((name) => !first.includes(name));
    renderFact(page.part("typed"), [kind.name, first, rest, measured.sources], () => {
      const make = (/** @type {string} */ name) => readingForm(page, kind, name, (text) => this.add(text));
      const open = first.map(make);
      const others = rest.map(make);
      this.forms = [...open, ...others];
      const more = html("details", "", [
        html("summary", "", "What else can be typed"),
        ...others.map(({ element }) => element),
        ...this.sourceChoices(kind),
      ]);
      const isMore = others.length || (kind.channels.length && measured.sources.length);
      return [...open.map(({ element }) => element), ...(isMore ? [more] : [])];
    });
  }

  /** From which recorded instrument a reading may be taken. @param {Kind} kind */
  sourceChoices(kind) {
    const { page, measured } = this;
    if (!measured?.sources.length) return [];
    return kind.channels.map((name) => {
      const select = html("select");
      for (const source of ["", ...measured.sources]) {
        const option = html("option", "", source || "typed, or the joint's own");
        option.value = source;
        select.append(option);
      }
      select.value = page.measurement.channels.get(name) || "";
      select.onchange = () => {
        if (select.value) page.measurement.channels.set(name, select.value);
        else page.measurement.channels.delete(name);
        page.take({});
      };
      return html("label", "source", [`${name} from `, select]);
    });
  }

  /** Adds a reading if it is one; whether it is. @param {string} text NAME=VALUE */
  async add(text) {
    const { page } = this;
    const name = text.slice(0, text.indexOf("="));
    if (text.includes(";")) return this.refuse("One reading at a time, without a semicolon.");
    const step = page.measurement.divisions.get(name) || "";
    try {
      const typed = { kind: page.measurement.kind, reading: text, division: step };
      const { refused } = await checkReading(typed, page.signal);
      if (refused) return this.refuse(`${name}: ${refused}`);
    } catch (fault) {
      page.renderFault(fault);
      return false;
    }
    this.refuse("");
    page.take({ readings: [...page.measurement.readings, text] });
    return true;
  }

  /** @param {string} why */
  refuse(why) {
    setText(this.page.part("refused"), why);
    return false;
  }

  focusReading() {
    const [form] = this.forms;
    form?.focus();
    return Boolean(form);
  }

  /** What was typed and marked so far, each to be taken back. */
  renderHave() {
    const { page, measured } = this;
    const { readings } = page.measurement;
    const spans = measured?.spans || [];
    renderFact(page.part("have"), [readings, spans], () => [
      ...spans.map(({ name, text, open }) => {
        const back = open ? [] : [this.takeBack(name, () => this.dropSpan(name))];
        return html("li", "", [html("span", "", [html("b", "", name), ` ${text}`]), ...back]);
      }),
      ...readings.map((text, i) => {
        const [name, value] = [text.slice(0, text.indexOf("=")), text.slice(text.indexOf("=") + 1)];
        const drop = () => page.take({ readings: readings.filter((_, at) => at !== i) });
        return html("li", "", [
          html("span", "", [html("b", "", name), ` ${value}`]),
          this.takeBack(`${name} ${value}`, drop),
        ]);
      }),
    ]);
  }

  /** @param {string} what @param {() => void} does */
  takeBack(what, does) {
    const back = button("Take back", does, "plain");
    back.setAttribute("aria-label", `Take back ${what}`);
    return back;
  }
}

/** The roles of spans that are to be marked now; of any step where none of these has one. @param {Measured} measured */
function rolesOf({ steps }) {
  const now = steps.filter((step) => step.now);
  const some = now.some(({ spans }) => spans.length) ? now : now.length ? [] : steps;
  const seen = new Map(some.flatMap(({ spans }) => spans).map((role) => [role.role, role]));
  return [...seen.values()];
}
