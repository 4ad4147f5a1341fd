// @ts-check
/* The excursions of an opened recording: listed as they are scrolled to, each with what led up to it. */
import { fetchLeadUps } from "../api.mjs";
import { button, clamp, findAll, html, setText, words } from "../dom.mjs";
import { maskStroke } from "./list.mjs";

/** @typedef {import("./answers.d.ts").ExcursionDetail} ExcursionDetail */
/** @typedef {import("./answers.d.ts").ExcursionRow} ExcursionRow */
/** @typedef {import("./answers.d.ts").TracedLeadUp} TracedLeadUp */

/** @typedef {import("./answers.d.ts").Overview} Overview */

/* So many are put on the page at once; more come as the list is scrolled. */
const CHUNK = 40;
const ANY = { severity: "", joint: "", limit: "" };
/** What can be chosen among, and how its first choice is called. @type {[keyof typeof ANY, string][]} */
const CHOICES = [
  ["severity", "all alerts"],
  ["joint", "every joint"],
  ["limit", "every limit"],
];

/** @param {number} count @param {string} one */
function counted(count, one) {
  return `${count} ${one}${count === 1 ? "" : "s"}`;
}

/** The list of excursions beside the traces. */
export class ExcursionList {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    /** @type {IntersectionObserver | null} */
    this.observer = null;
    /** Which are listed; empty: any. */
    this.chosen = { ...ANY };
    /** What is listed. @type {ExcursionRow[]} */
    this.list = [];
    page.listen(page.signal, "abort", () => this.observer?.disconnect());
  }

  /** Lists all, as of a recording that is opened. */
  forgetChoice() {
    this.chosen = { ...ANY };
  }

  /** @param {Overview} opened */
  render({ excursions, excursion_count, not_judged }) {
    const trips = excursions.filter(({ severity }) => severity === "trip").length;
    const parts = [trips ? counted(trips, "trip") : "", counted(excursion_count - trips, "warning")];
    const isAny = excursion_count > 0;
    const isCut = excursion_count > excursions.length;
    const title = trips === excursion_count ? parts[0] : parts.filter(Boolean).join(", ");
    const cut = isCut ? `, the first ${excursions.length} listed` : "";
    setText(this.page.part("count"), isAny ? title + cut : "No excursion");
    this.renderChoices(excursions);
    this.renderNotJudged(not_judged);
    this.renderRows(excursions);
  }

  /** What can be chosen among, where there is a choice. @param {ExcursionRow[]} all */
  renderChoices(all) {
    /** @type {HTMLElement[]} */
    const selects = [];
    for (const [key, anyText] of CHOICES) {
      const text = (/** @type {ExcursionRow} */ row) =>
        key === "joint" ? row.joint_label : key === "severity" ? row.severity + "s" : row.limit;
      const options = new Map(all.map((row) => [row[key], text(row)]));
      if (!options.has(this.chosen[key])) this.chosen[key] = "";
      if (options.size < 2) continue;
      const select = html("select");
      for (const [value, words] of [["", anyText], ...options]) {
        const option = html("option", "", words);
        option.value = value;
        select.append(option);
      }
      select.value = this.chosen[key];
      select.setAttribute("aria-label", "Excursions of which " + key);
      select.onchange = () => {
        this.chosen = { ...this.chosen, [key]: select.value };
        this.renderRows(all);
      };
      selects.push(select);
    }
    this.page.part("choose").replaceChildren(...selects);
  }

  /** Limits that could not be judged. @param {import("./answers.d.ts").NotJudgedRow[]} list */
  renderNotJudged(list) {
    const rows = list.map(({ at_s, limit, label, text }) => {
      const said = [html("span", "mark none"), html("span", "", [words(label), html("small", "", text)])];
      const row =
        at_s === null ? html("div", "exc unjudged", said) : button("", () => this.visitTime(at_s), "exc unjudged");
      if (at_s !== null) row.append(...said);
      row.dataset.limit = limit;
      return row;
    });
    this.page.part("not-judged").replaceChildren(...rows);
  }

  /** @param {ExcursionRow[]} all */
  renderRows(all) {
    const { chosen } = this;
    const keys = CHOICES.map(([key]) => key);
    const list = all.filter((row) => keys.every((key) => !chosen[key] || row[key] === chosen[key]));
    const box = this.page.part("excursions");
    if (list.length && this.isListed(list, box)) {
      this.takePens(list, box);
      return;
    }
    this.list = list;
    this.observer?.disconnect();
    this.sayMore(0);
    if (!list.length) {
      const why = all.length ? "None is of all that is chosen." : "Nothing went beyond a limit.";
      box.replaceChildren(html("p", "none-found", why));
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
      this.sayMore(list.length - shown);
      observer.disconnect();
      /* A little before the end, so that whoever goes on by the keyboard finds the next one there. */
      if (shown < list.length) for (const row of rows.slice(-8)) observer.observe(row);
    };
    grow();
  }

  /** @param {number} count how many are not on the page yet */
  sayMore(count) {
    setText(this.page.part("more"), count ? `${count} more: scroll the list, or choose among them.` : "");
  }

  /** Whether the same ones stand there already. @param {ExcursionRow[]} list @param {HTMLElement} box */
  isListed(list, box) {
    const key = (/** @type {ExcursionRow[]} */ of) => JSON.stringify(of.map((one) => ({ ...one, pen: 0 })));
    return Boolean(box.querySelector(".exc")) && key(list) === key(this.list);
  }

  /**
   * Other joints are drawn: the rows stay where they were scrolled to.
   * @param {ExcursionRow[]} list
   * @param {HTMLElement} box
   */
  takePens(list, box) {
    this.list.forEach((one, i) => Object.assign(one, list[i]));
    findAll(box, ".exc").forEach((row, i) => {
      const tiny = row.querySelector(".tiny");
      if (tiny) tiny.className = "tiny pen-" + list[i].pen;
    });
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
    const which = { first, count: some.length, judged, ...this.chosen };
    const answer = await fetchLeadUps(name, which, signal).catch(() => ({ details: [] }));
    answer.details.forEach((detail, i) => {
      const excursion = some[i];
      /* A recording that grows may have got others meanwhile. */
      const isSame = excursion && ["at_s", "limit", "joint"].every((key) => detail[key] === excursion[key]);
      if (isSame) rows[i].lastElementChild?.replaceWith(this.leadUp(excursion, detail));
    });
  }

  /** @param {ExcursionRow} excursion @param {HTMLElement} row */
  visit(excursion, row) {
    for (const one of findAll(this.page.root, ".exc")) one.removeAttribute("aria-current");
    row.setAttribute("aria-current", "true");
    const length = (excursion.to_s - excursion.from_s) * 1.6;
    const width = clamp(length, 240, Math.max(240, this.page.opened.length_s));
    this.page.drawn.want(excursion.joint);
    this.visitTime(excursion.at_s, width);
  }

  /** @param {number} at_s @param {number} [width] */
  visitTime(at_s, width = 240) {
    this.page.head = at_s;
    this.page.show(at_s - width * 0.3, at_s + width * 0.7);
  }
}
