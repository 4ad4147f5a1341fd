// @ts-check
/* The list of recordings: sorted by its heads, narrowed by what is typed, one of them open. */
import { fetchRecordings } from "../api.mjs";
import { button, emptyPage, findAll, html, opensElsewhere, setText, unitLabel, words } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").ListedRecording} Row */
/** @typedef {import("./answers.d.ts").Catalogue} Catalogue */

/* The columns: words, kind of cell, and by what they sort. */
const COLUMNS = /** @type {[string, string, ((r: Row) => any)?][]} */ ([
  ["begun", "", (r) => r.began_s],
  ["what it is", "", (r) => r.name.toLowerCase()],
  ["joints", ""],
  ["length", "n", (r) => r.length_s],
  ["hottest", "n", (r) => r.hottest_degC],
  ["at", ""],
  ["alerts", "", (r) => r.alerts.reduce((n, a) => n + a.n, 0)],
]);
const SCALE_STEPS_S = [60, 300, 600, 1800, 3600, 7200, 14400, 43200, 86400];
const EMPTY = /** @type {[string, string][]} */ ([
  ["Make a six-hour test in seconds", "dutytrace simulate --hours 6"],
  ["See it with simulated joints", "dutytrace demo"],
  ["Look somewhere else", "dutytrace dashboard --recordings FOLDER"],
]);

/**
 * The small trace of an element's data: a mask over the pen's colour.
 * @param {HTMLElement} stroke
 * @param {string} mask
 */
export function maskStroke(stroke, mask) {
  for (const key of ["maskImage", "webkitMaskImage"]) stroke.style[/** @type {any} */ (key)] = mask;
  for (const key of ["maskSize", "webkitMaskSize"]) stroke.style[/** @type {any} */ (key)] = "100% 100%";
}

/** The list of all recordings of the folder. */
export class RecordingList {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    /** The column that sorts, and which way. @type {[string, number]} */
    this.order = ["begun", -1];
    this.search = "";
    /** @type {Catalogue | null} */
    this.catalogue = null;
    this.shownText = "";
    const box = html("input");
    box.type = "search";
    box.placeholder = "Find a recording";
    box.id = "past-search";
    box.setAttribute("aria-label", "Find a recording by its name, joints or folder");
    box.oninput = () => {
      this.search = box.value;
      this.renderAgain();
    };
    page.part("find").replaceChildren(box);
  }

  /** Asks for the recordings and shows them. */
  async refresh() {
    try {
      this.render(await fetchRecordings(this.page.signal));
    } catch (fault) {
      setText(this.page.part("said"), fault.message);
    }
  }

  renderAgain() {
    this.shownText = "";
    if (this.catalogue) this.render(this.catalogue);
  }

  /** @param {Catalogue} catalogue */
  render(catalogue) {
    this.catalogue = catalogue;
    const text = JSON.stringify(catalogue) + this.page.name;
    if (this.shownText === text) return;
    this.shownText = text;
    const { rows, folder } = catalogue;
    this.page.part("empty").hidden = rows.length > 0;
    this.page.part("listed").hidden = rows.length === 0;
    if (!rows.length) {
      this.page.part("empty").replaceChildren(...emptyPage(`There are no recordings in ${folder} yet.`, EMPTY));
      return;
    }
    const count = rows.length + (rows.length === 1 ? " recording" : " recordings");
    const legend = "Small traces: the hottest joint, dotted at its lowest limit, all on one scale";
    setText(this.page.part("said"), `${count} in ${folder}. ${legend}`);
    this.page.overlay.offer(rows);
    this.renderTable(catalogue);
  }

  /** @param {Catalogue} catalogue */
  renderTable({ rows, longest_s }) {
    const head = html("tr", "", [
      ...COLUMNS.map(([title, kind, key]) => this.headCell(title, kind, key)),
      html("th", "", [this.timeScale(longest_s || 1)]),
    ]);
    const body = this.sorted(rows).map((row) => this.row(row));
    if (!body.length) {
      const none = html("td", "wrong", `None of them has “${this.search}” in its name, joints or folder.`);
      none.colSpan = 8;
      body.push(html("tr", "", [none]));
    }
    const host = this.page.part("list");
    const focused = this.focusedKey(host);
    host.replaceChildren(html("table", "", [html("thead", "", [head]), html("tbody", "", body)]));
    if (focused === null) return;
    /* Whoever is in the list by keyboard stays where they are when it is made anew. */
    const again = findAll(host, "button, a").find((element) => this.focusKey(element) === focused);
    again?.focus({ preventScroll: true });
  }

  /** @param {Element} element */
  focusKey(element) {
    const row = /** @type {HTMLElement | null} */ (element.closest("tr[data-path]"));
    return row?.dataset.path || element.textContent;
  }

  /** @param {HTMLElement} host */
  focusedKey(host) {
    const at = document.activeElement;
    return at && host.contains(at) ? this.focusKey(at) : null;
  }

  /** @param {number} whole_s */
  timeScale(whole_s) {
    const step = SCALE_STEPS_S.find((s) => whole_s / s <= 6.5) || 604800;
    const scale = html("div", "scale");
    for (let s = 0; s <= whole_s; s += step) {
      const isLast = s + step > whole_s;
      const inHours = s >= 3600 || step >= 3600;
      const tick = html("span", "", (inHours ? s / 3600 : s / 60) + (isLast ? (inHours ? " h" : " min") : ""));
      tick.style.left = (s / whole_s) * 100 + "%";
      if (s / whole_s > 0.95) tick.className = "end";
      scale.append(tick);
    }
    return scale;
  }

  /**
   * A head that sorts; a second press turns the order round.
   * @param {string} title
   * @param {string} kind
   * @param {((r: Row) => any) | undefined} key
   */
  headCell(title, kind, key) {
    const cell = html("th", kind);
    if (!key) {
      cell.textContent = title;
      return cell;
    }
    const [by, way] = this.order;
    if (by === title) cell.setAttribute("aria-sort", way > 0 ? "ascending" : "descending");
    const sort = () => {
      const first = title === "what it is" ? 1 : -1;
      this.order = [title, by === title ? -way : first];
      this.renderAgain();
    };
    cell.append(button(title, sort));
    return cell;
  }

  /**
   * What is being recorded stays on top, what cannot be opened at the bottom, whatever the order.
   * @param {Row[]} rows
   */
  sorted(rows) {
    const [by, way] = this.order;
    const key = COLUMNS.find(([title]) => title === by)?.[2] || ((r) => r.began_s);
    const wanted = this.search.trim().toLowerCase();
    const matches = (/** @type {Row} */ r) =>
      !wanted ||
      [r.name, r.path, r.joint_labels, r.joint_names, r.fault].some(
        (text) => text && text.toLowerCase().includes(wanted),
      );
    const group = (/** @type {Row} */ r) => (r.fault ? 2 : r.live ? 0 : 1);
    /* Array.sort is stable: rows that are alike keep their order. */
    return rows.filter(matches).sort((a, b) => {
      const first = group(a) - group(b);
      if (first || a.fault) return first;
      const [x, y] = [key(a), key(b)];
      const lacking = Number(x === null) - Number(y === null);
      return lacking || (x < y ? -way : x > y ? way : 0);
    });
  }

  /** @param {Row} r */
  row(r) {
    const row = html("tr", r.path === this.page.name ? "open" : "");
    row.dataset.path = r.path;
    if (r.fault) {
      const why = html("td", "wrong", r.fault);
      why.colSpan = 6;
      const mark = html("td", "", [html("span", "mark none")]);
      row.append(mark, html("td", "name", [html("span", "words", r.path)]), why);
      return row;
    }
    const link = html("a", "words", r.name);
    link.href = "/replay/" + encodeURIComponent(r.path);
    link.onclick = (event) => {
      if (opensElsewhere(event)) return;
      event.preventDefault();
      event.stopPropagation();
      this.page.open(r.path);
    };
    const name = html("td", "name", [link]);
    if (r.live || r.simulated) name.append(html("small", "", r.live ? " still recording" : " simulated"));
    const hottest = html("td", "n", r.hottest);
    if (r.at) hottest.append(unitLabel("°C"));
    const [begun, joints, length, at] = [r.begun, r.joints, r.length, r.at].map((text) => html("td", "", text));
    length.className = "n";
    const [alerts, trace] = [this.alerts(r.alerts), this.smallTrace(r)].map((part) => html("td", "", [part]));
    row.append(begun, name, joints, length, hottest, at, alerts, trace);
    return row;
  }

  /** @param {{mark: string, n: number}[]} alerts */
  alerts(alerts) {
    if (!alerts.length) return html("span", "alerts-cell", "none");
    const parts = alerts.map((a) => html("span", "", [html("span", "mark " + a.mark), words(" " + a.n)]));
    const cell = html("span", "alerts-cell", parts);
    const spoken = alerts.map((a) => a.n + (a.mark === "danger" ? " trips" : " warnings"));
    cell.setAttribute("aria-label", spoken.join(", "));
    return cell;
  }

  /** @param {Row} r */
  smallTrace(r) {
    const box = html("div", "small-trace pen-" + r.pen);
    if (!r.trace) return box;
    const stroke = html("span", "stroke");
    stroke.style.width = r.share * 100 + "%";
    maskStroke(stroke, r.trace);
    box.append(stroke);
    if (r.warning !== null && r.warning < 1) {
      const dots = html("span", "dots");
      dots.style.top = (1 - r.warning) * 100 + "%";
      dots.style.width = r.share * 100 + "%";
      box.append(dots);
    }
    return box;
  }
}
