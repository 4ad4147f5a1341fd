// @ts-check
/* The lists and tables of the Campaign page; what has a span leads to it in Replay. */
import { html, renderFact, renderSentence, unitLabel } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Shown} Shown */

/** @param {string} href @param {(Node | string)[]} parts @param {string} [cls] */
function linkOr(href, parts, cls = "") {
  const element = html(href ? "a" : "span", cls, parts);
  if (element instanceof HTMLAnchorElement) element.href = href;
  return element;
}

/** @param {HTMLElement} box @param {Shown["news"]} news */
export function renderNews(box, news) {
  renderFact(box, news, () => [
    html(
      "ul",
      "marked-list",
      news.map(({ mark, lead, text, href }) =>
        html("li", "", [
          html("span", "mark " + mark),
          html("span", "", [linkOr(href, [html("b", "", lead)]), " ", text]),
        ]),
      ),
    ),
  ]);
}

/** @param {HTMLElement} box @param {Shown["unknown"]} rows */
export function renderOpen(box, rows) {
  renderFact(box, rows, () => [
    html(
      "ul",
      "marked-list",
      rows.map(([what, remedy]) =>
        html("li", "", [
          html("span", "mark none"),
          html("span", "", [html("b", "", what), ": ", renderSentence(remedy), "."]),
        ]),
      ),
    ),
  ]);
}

/** @param {HTMLElement} box @param {Shown["changes"]} changes @param {string} none */
export function renderChanged(box, changes, none) {
  renderFact(box, [changes, none], () => {
    if (!changes.length) return [html("p", "hint", none)];
    const head = ["when", "what", "before", "after", "by", "more than chance"].map((text) => html("th", "", text));
    head.forEach((one) => one.setAttribute("scope", "col"));
    const rows = changes.map((one) =>
      html("tr", one.new ? "new" : "", [
        html("td", "", [linkOr(one.href, [one.when]), html("small", "", ` ${one.reach}`)]),
        html("td", "", [one.what, ...(one.new ? [html("small", "", " new")] : [])]),
        html("td", "", levelNodes(one.before)),
        html("td", "", levelNodes(one.after)),
        html("td", "", [html("b", "", one.by), unitLabel(one.unit), html("small", "", ` (${one.interval})`)]),
        html("td", "", one.evidence),
      ]),
    );
    return [html("table", "", [html("thead", "", [html("tr", "", head)]), html("tbody", "", rows)])];
  });
}

/** @param {[string, string, string]} level */
function levelNodes([value, unit, interval]) {
  return value ? [html("b", "", value), unitLabel(unit), html("small", "", ` (${interval})`)] : ["–"];
}

/** @param {HTMLElement} box @param {Shown["days"]} days */
export function renderDays(box, { head, rows, hrefs }) {
  renderFact(box, [rows, hrefs], () => {
    const heads = head.map((text) => html("th", "", text));
    heads.forEach((one) => one.setAttribute("scope", "col"));
    const lines = rows.map((cells, at) =>
      html(
        "tr",
        "",
        cells.map((text, column) =>
          html(
            "td",
            text === "0" ? "zero" : "",
            column === 1 ? [linkOr(hrefs[at], [text])] : text === "0" ? "·" : text,
          ),
        ),
      ),
    );
    return [html("table", "", [html("thead", "", [html("tr", "", heads)]), html("tbody", "", lines)])];
  });
}
