// @ts-check
/* The excursions of an opened recording: listed as they are scrolled to, each with what led up to it. */
import { fetchLeadUps } from "../api.mjs";
import { button, clamp, findAll, html, setText, words } from "../dom.mjs";
import { maskStroke } from "./list.mjs";

/** @typedef {import("./answers.d.ts").ExcursionDetail} ExcursionDetail */
/** @typedef {import("./answers.d.ts").ExcursionRow} ExcursionRow */
/** @typedef {import("./answers.d.ts").TracedLeadUp} TracedLeadUp */

/* So many are put on the page at once; more come as the list is scrolled. */
const CHUNK = 40;
const COUNTS = ["No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten"];

/** The list of excursions beside the traces. */
export class ExcursionList {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    /** @type {IntersectionObserver | null} */
    this.observer = null;
    page.listen(page.signal, "abort", () => this.observer?.disconnect());
  }

  /** @param {ExcursionRow[]} list @param {number} count how many there are, listed or not */
  render(list, count) {
    const title = (COUNTS[count] || String(count)) + (count === 1 ? " excursion" : " excursions");
    const cut = count > list.length ? `, the first ${list.length} listed` : "";
    setText(this.page.part("count"), title + cut);
    const box = this.page.part("excursions");
    this.observer?.disconnect();
    if (!count) {
      box.replaceChildren(html("p", "none-found", "Nothing went beyond a limit."));
      return;
    }
    const table = html("div", list.length > CHUNK ? "excursions many" : "excursions");
    box.replaceChildren(table);
    let shown = 0;
    const observer = new IntersectionObserver((entries) => {
      if (entries.some((entry) => entry.isIntersecting)) grow();
    });
    this.observer = observer;
    const grow = () => {
      const some = list.slice(shown, shown + CHUNK);
      const rows = some.map((excursion) => this.row(excursion));
      table.append(...rows);
      this.addLeadUps(shown, some, rows);
      shown += some.length;
      observer.disconnect();
      /* A little before the end, so that whoever goes on by the keyboard finds the next one there. */
      if (shown < list.length) for (const row of rows.slice(-8)) observer.observe(row);
    };
    grow();
  }

  /** @param {ExcursionRow} excursion */
  row(excursion) {
    const row = button("", () => this.visit(excursion, row), "exc");
    row.append(
      html("span", "mark " + excursion.mark),
      html("span", "", [html("b", "", excursion.at), words(" " + excursion.label)]),
      html("span", "n", excursion.duration),
      this.leadUp(excursion, null),
    );
    row.dataset.limit = excursion.limit;
    row.dataset.severity = excursion.severity;
    const spoken = `${excursion.severity}: ${excursion.label} at ${excursion.at} for ${excursion.duration}`;
    row.setAttribute("aria-label", spoken);
    return row;
  }

  /**
   * How far it went, and what led up to it once that is known.
   * @param {ExcursionRow} excursion
   * @param {ExcursionDetail | null} detail
   */
  leadUp(excursion, detail) {
    const box = html("span", "led");
    if (!detail || detail.sparkline) {
      const tiny = html("span", "tiny pen-" + excursion.pen);
      if (detail) tiny.append(...this.sparkline(detail));
      box.append(tiny);
    }
    const parts = [];
    const peak = detail ? detail.peak : excursion.peak;
    if (peak) parts.push(html("b", "", peak), words(detail?.sparkline ? " at most. " : ". "));
    if (detail) parts.push(words([detail.lead_up, detail.deliveries].filter(Boolean).join("; ")));
    box.append(html("span", "", parts));
    return box;
  }

  /** @param {TracedLeadUp} detail */
  sparkline(detail) {
    const stroke = html("span", "stroke");
    const dots = html("span", "dots");
    const then = html("span", "then");
    maskStroke(stroke, detail.sparkline);
    dots.hidden = detail.sparkline_level === null;
    dots.style.top = (1 - clamp(detail.sparkline_level ?? 0, 0, 1)) * 93 + 3 + "%";
    then.style.left = clamp(detail.sparkline_at, 0, 1) * 100 + "%";
    return [stroke, dots, then];
  }

  /** @param {number} first @param {ExcursionRow[]} some @param {HTMLElement[]} rows */
  async addLeadUps(first, some, rows) {
    const { name, judged, signal } = this.page;
    const which = { first, count: some.length, judged };
    const answer = await fetchLeadUps(name, which, signal).catch(() => ({ details: [] }));
    answer.details.forEach((detail, i) => {
      const excursion = some[i];
      /* A recording that grows may have got others meanwhile. */
      const isSame = excursion && ["at_s", "limit", "pen"].every((key) => detail[key] === excursion[key]);
      if (isSame) rows[i].lastElementChild?.replaceWith(this.leadUp(excursion, detail));
    });
  }

  /** @param {ExcursionRow} excursion @param {HTMLElement} row */
  visit(excursion, row) {
    for (const one of findAll(this.page.root, ".exc")) one.removeAttribute("aria-current");
    row.setAttribute("aria-current", "true");
    const length = (excursion.to_s - excursion.from_s) * 1.6;
    const width = clamp(length, 240, Math.max(240, this.page.opened.length_s));
    this.page.head = excursion.at_s;
    this.page.show(excursion.at_s - width * 0.3, excursion.at_s + width * 0.7);
  }
}
