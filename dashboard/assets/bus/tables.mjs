// @ts-check
/* The tables of the Bus page: the buses of a recording, who sent in a span, what was not decoded, what
   happened. Each is made anew only where it shows something else. */
import { button, html, renderFact, renderSentence, setText, unitLabel, words } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").BusAnswer} BusAnswer */
/** @typedef {import("./answers.d.ts").BusSummary} BusSummary */
/** @typedef {import("./answers.d.ts").MeanAndMaximum} MeanAndMaximum */
/** @typedef {import("./answers.d.ts").Traffic} Traffic */

const COLUMNS = [
  ["identifier", "identifier", ""],
  ["joint", "whose", ""],
  ["frame", "frame", ""],
  ["count", "frames", ""],
  ["share", "share", "%"],
  ["period", "period", "ms"],
  ["jitter", "jitter, 95 %", "ms"],
  ["gap", "longest gap", "ms"],
  ["reason", "decoded or why not", ""],
];
const NUMBERS = new Set(["count", "share", "period", "jitter", "gap"]);
const BUS_HEADS = [
  ...["bus", "", "load, mean and most", "frames/s, mean and most", "error frames", "remote", "lost"],
  ...["garbled", "unanswered", "away", "over the recording"],
];
/* What the server writes for a figure that the recording does not have. */
const NOT_KNOWN = "–";
const NOT_NUMBERS = new Set([0, 1, BUS_HEADS.length - 1]);

/**
 * Rows in the order of a column; what has no value stands last either way.
 * @param {Record<string, any>[]} rows each cell its text, and what it sorts by where that is another
 * @param {string} column
 * @param {boolean} isDescending
 */
export function sortRows(rows, column, isDescending) {
  const key = (/** @type {any} */ row) => (row[column].length > 1 ? row[column][1] : row[column][0]);
  /* Array.sort is stable: rows that are alike keep their order. */
  return [...rows].sort((a, b) => {
    const [x, y] = [key(a), key(b)];
    if (x === null || y === null) return Number(x === null) - Number(y === null);
    const order = typeof x === "string" && typeof y === "string" ? x.localeCompare(y) : x - y;
    return isDescending ? -order : order;
  });
}

/** @param {string} cls @param {[string, string][]} heads words and class @param {Node[]} rows */
function table(cls, heads, rows) {
  const head = html(
    "tr",
    "",
    heads.map(([text, kind]) => html("th", kind, text)),
  );
  return html("table", cls, [html("thead", "", [head]), html("tbody", "", rows)]);
}

/** Both; a maximum of zero is no news. @param {MeanAndMaximum} value @param {string} [unit] */
function meanAndMaximum({ mean, maximum }, unit) {
  if (maximum === NOT_KNOWN) return html("td", "n not-known", maximum);
  const parts = [html("span", "", mean + " "), html(/[1-9]/.test(maximum) ? "b" : "span", "", maximum)];
  return html("td", "n", unit ? [...parts, unitLabel(unit)] : parts);
}

/** @param {BusSummary} bus @param {boolean} isChosen @param {boolean} isOneOfSeveral */
function busRow(bus, isChosen, isOneOfSeveral) {
  const row = html("tr", isOneOfSeveral && isChosen ? "open" : "");
  row.dataset.bus = bus.name;
  const name = html(isOneOfSeveral ? "button" : "span", isOneOfSeveral ? "plain bus-name" : "words", bus.name);
  if (isOneOfSeveral) {
    name.setAttribute("aria-pressed", String(isChosen));
    name.dataset.bus = bus.name;
  }
  const counts = [bus.errors, bus.remotes, bus.lost, bus.garbled, bus.unanswered, bus.away];
  row.append(
    html("td", "", [name]),
    html("td", "", [html("small", "", bus.where)]),
    meanAndMaximum(bus.load, "%"),
    meanAndMaximum(bus.frames),
    ...counts.map((count) => html("td", count === NOT_KNOWN ? "n not-known" : "n", count)),
    html("td", "says", [html("span", "mark " + bus.mark), words(" " + bus.state)]),
  );
  [...row.children].forEach((cell, i) => {
    /** @type {HTMLElement} */ (cell).dataset.head = BUS_HEADS[i];
  });
  return row;
}

/**
 * How each bus was over the recording.
 * @param {HTMLElement} host
 * @param {BusSummary[]} buses
 * @param {number} chosen
 */
export function renderBuses(host, buses, chosen) {
  renderFact(host, [buses, chosen], () => {
    const rows = buses.map((bus, i) => busRow(bus, i === chosen, buses.length > 1));
    return [
      table(
        "buses",
        BUS_HEADS.map((text, i) => [text, NOT_NUMBERS.has(i) ? "" : "n"]),
        rows,
      ),
    ];
  });
}

/**
 * What can be said of a span, and what is out of order.
 * @param {HTMLElement} host
 * @param {Traffic | null} span
 */
export function renderHints(host, span) {
  renderFact(host, span ? [span.hints, span.verdict, span.facts, span.errors] : null, () => {
    if (!span) return [html("p", "none-found", "No frame has been recorded yet.")];
    const facts = span.facts.map(([what, value, unit]) =>
      html("div", "", [html("dt", "", what), html("dd", "", [words(value), unitLabel(unit)])]),
    );
    const line = (/** @type {string} */ mark, /** @type {Node} */ text) =>
      html("p", "hint-line", [html("span", "mark " + mark), text]);
    /** @type {HTMLElement[]} */
    const parts = [html("dl", "facts small-facts", facts)];
    for (const hint of span.hints) parts.push(line("abnormal", renderSentence(hint)));
    const [mark, verdict] = span.verdict;
    if (mark && verdict) parts.push(line(mark, renderSentence(verdict)));
    const errors = span.errors.map(([what, count]) => `${what} ${count}×`);
    if (errors.length) parts.push(html("p", "hint", `The error frames say: ${errors.join(", ")}.`));
    return parts;
  });
}

/**
 * Why frames of a span were not decoded.
 * @param {HTMLElement} host
 * @param {Traffic | null} span
 */
export function renderUndecoded(host, span) {
  renderFact(host, span ? span.undecoded : null, () => {
    if (!span) return [html("p", "none-found", "Nothing to decode yet.")];
    if (!span.undecoded.length) return [html("p", "none-found", "Every frame of this span was decoded.")];
    const rows = span.undecoded.map(([reason, count, share]) =>
      html("tr", "", [
        html("td", "", reason),
        html("td", "n", count),
        html("td", "n", [words(share), unitLabel("%")]),
      ]),
    );
    return [
      table(
        "",
        [
          ["reason", ""],
          ["frames", "n"],
          ["share", "n"],
        ],
        rows,
      ),
    ];
  });
}

/**
 * What happened on the buses.
 * @param {HTMLElement} host
 * @param {BusAnswer} answer
 * @param {(at_s: number, bus: number | null) => void} visit
 */
export function renderEvents(host, { events, earlier, bus }, visit) {
  renderFact(host, [events, earlier, bus], () => {
    if (!events.length) return [html("p", "none-found", "No bus was lost, no frame dropped, nothing else was said.")];
    const rows = events.map((event) => {
      const row = button("", () => visit(event.at_s, event.bus), "exc");
      row.append(html("span", "mark " + event.mark));
      row.append(html("span", "", [html("b", "", event.at), words(" " + event.text)]));
      row.title = event.clock + " on the clock";
      return row;
    });
    const list = html("div", "excursions", rows);
    return earlier ? [list, html("p", "hint", `and ${earlier} before these`)] : [list];
  });
}

/** Who sent in a span. The table keeps its heads, and with them the focus, while its rows change. */
export class SenderTable {
  /** @param {import("../page.mjs").Page} page @param {HTMLElement} host */
  constructor(page, host) {
    this.host = host;
    this.column = "identifier";
    this.isDescending = false;
    /** @type {Traffic | null} */
    this.span = null;
    /** @type {HTMLElement | null} */
    this.body = null;
    host.setAttribute("aria-label", "Identifiers");
    page.listen(host, "click", (event) => {
      const head = event.target.closest("button[data-column]");
      if (head) this.sortBy(head.dataset.column);
    });
  }

  /** @param {string} column */
  sortBy(column) {
    this.isDescending = this.column === column ? !this.isDescending : NUMBERS.has(column);
    this.column = column;
    this.render(this.span);
  }

  /** @param {Traffic | null} span */
  render(span) {
    this.span = span;
    const senders = span ? span.senders : [];
    if (!senders.length) {
      const none = span
        ? "No frame was heard in this span."
        : "No frames yet: identifiers stand here as soon as one is heard.";
      renderFact(this.host, none, () => [html("p", "none-found", none)]);
      this.body = null;
      return;
    }
    const body = this.body && this.host.contains(this.body) ? this.body : this.build();
    this.body = body;
    for (const head of this.host.querySelectorAll("th")) {
      const { column } = /** @type {HTMLElement} */ (head.firstElementChild).dataset;
      const order = this.column !== column ? "none" : this.isDescending ? "descending" : "ascending";
      head.setAttribute("aria-sort", order);
    }
    const sorted = sortRows(senders, this.column, this.isDescending);
    renderFact(body, sorted, () => sorted.map((sender) => this.row(sender)));
  }

  build() {
    delete this.host.dataset.is;
    const heads = COLUMNS.map(([key, title, unit]) => {
      const head = html("button", "", unit ? [words(title), unitLabel(unit)] : title);
      head.dataset.column = key;
      const cell = html("th", NUMBERS.has(key) ? "n" : "", [head]);
      cell.scope = "col";
      return cell;
    });
    const body = html("tbody");
    const head = html("thead", "", [html("tr", "", heads)]);
    this.host.replaceChildren(html("table", "talkers", [head, body]));
    return body;
  }

  /** @param {any} sender */
  row(sender) {
    const row = html("tr", sender.decoded ? "" : "undecoded");
    row.dataset.key = sender.key;
    for (const [key, title, unit] of COLUMNS) {
      const cell = html("td", NUMBERS.has(key) ? "n" : "", sender[key][0]);
      cell.dataset.head = title + (unit ? ", " + unit : "");
      row.append(cell);
    }
    return row;
  }
}

/**
 * What stands above the tables of a span.
 * @param {(name: string) => HTMLElement} part
 * @param {BusAnswer} answer
 */
export function renderSpanHead(part, { traffic, buses, bus }) {
  const of = buses.length > 1 ? ", " + buses[bus].name : "";
  setText(part("title"), (traffic ? traffic.title : "Heard") + of);
  setText(part("span"), traffic ? traffic.when : "");
  const cut = part("cut");
  cut.hidden = !traffic?.cut;
  setText(cut, traffic ? traffic.cut : "");
}
