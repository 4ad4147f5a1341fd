// @ts-check
/* A proposal as it is shown: which bits are what, and every value with how sure it is and what speaks for it. */
import { html, markedLine, renderFact } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").FoundProposal} FoundProposal */
/** @typedef {import("./answers.d.ts").FoundValue} FoundValue */
/** @typedef {import("./answers.d.ts").FrameKind} FrameKind */
/** @typedef {import("./decisions.mjs").Decisions} Decisions */

/** What stands in a bit's cell, and what it is. @type {Record<string, [string, string]>} */
const SORTS = {
  still: ["·", "never changed"],
  unknown: ["?", "moves, and follows nothing that was done"],
  selector: ["=", "tells kinds of frames apart"],
  checksum: ["#", "checksum"],
  counter: ["+", "counter"],
};

/** @param {HTMLElement} box @param {FoundProposal} proposal */
export function renderMap(box, proposal) {
  renderFact(box, proposal.kinds, () => proposal.kinds.map((kind) => kindMap(kind, proposal.values)));
}

/** @param {HTMLElement} list @param {FoundProposal} proposal */
export function renderLegend(list, proposal) {
  renderFact(list, proposal.kinds, () => {
    const sorts = new Set(proposal.kinds.flatMap(({ bytes }) => bytes.flat().map(({ sort }) => sort)));
    const rows = Object.entries(SORTS).filter(([sort]) => sorts.has(sort));
    const numbers = html("li", "", [html("i", "bit value", "1"), " the value of that number below"]);
    return [
      numbers,
      ...rows.map(([sort, [mark, words]]) => html("li", "", [html("i", `bit ${sort}`, mark), " " + words])),
    ];
  });
}

/** @param {FrameKind} kind @param {FoundValue[]} values */
function kindMap(kind, values) {
  const head = html("div", "kind-head", [html("b", "", kind.name), html("small", "", kind.pace)]);
  const bytes = kind.bytes.map((bits, byte) => {
    const cells = bits.map(({ sort, value }) =>
      html("i", `bit ${sort}`, value === null ? SORTS[sort][0] : String(value)),
    );
    return html("div", "byte", [html("small", "", String(byte)), ...cells]);
  });
  const row = html("div", "bytes", bytes);
  /* In words, for whoever cannot see the cells. */
  const mine = values.filter((value) => value.kind === kind.name);
  const said = mine.map((value) => `${value.number} ${value.meaning}: ${value.place}`).join("; ");
  row.setAttribute("role", "img");
  row.setAttribute("aria-label", `Bits of ${kind.name}. ${[said, ...kind.checks].filter(Boolean).join("; ")}`);
  const checks = kind.checks.map((words) => html("small", "check", words));
  return html("div", "kind-map", [head, row, ...checks]);
}

/** @param {HTMLElement} box @param {FoundProposal} proposal @param {Decisions} decisions */
export function renderValues(box, proposal, decisions) {
  renderFact(box, [proposal.values, proposal.source, proposal.corrected], () => {
    if (!proposal.values.length)
      return [html("p", "lede", "No value is proposed: see below why, and what would help.")];
    return proposal.values.map((value) => valueRow(value, decisions));
  });
}

/** @param {FoundValue} value @param {Decisions} decisions */
function valueRow(value, decisions) {
  const what = html("div", "what", [
    html("b", "number", String(value.number)),
    html("span", "words", value.meaning),
    html("small", "", `${value.kind}: ${value.place}`),
  ]);
  if (value.seen) what.append(html("small", "", value.seen));
  const why = html("div", "why", [html("small", "", value.reason)]);
  if (value.rivals.length) {
    const list = html(
      "ul",
      "",
      value.rivals.map((words) => html("li", "", words)),
    );
    why.append(
      html("details", "", [
        html("summary", "", value.rivals.length === 1 ? "another reading" : `${value.rivals.length} other readings`),
        list,
      ]),
    );
  }
  const row = html("div", "found-value", [what, sureness(value), why, decisions.fields(value)]);
  row.setAttribute("role", "group");
  row.setAttribute("aria-label", `Value ${value.number}, ${value.meaning}`);
  return row;
}

/** How probable place, meaning and scale are, each with a bar. @param {FoundValue} value */
function sureness({ sure }) {
  const lines = Object.entries(sure).map(([name, share]) => {
    const bar = html("span", "bar");
    bar.style.setProperty("--share", String(share));
    return html("div", share < 0.9 ? "weak" : "", [html("span", "", name), html("b", "", share.toFixed(2)), bar]);
  });
  const box = html("div", "sure", lines);
  box.title = "How probable it is that this is right";
  return box;
}

/** @param {HTMLElement} list @param {string[]} sentences */
export function renderUndecided(list, sentences) {
  renderFact(list, sentences, () => sentences.map((sentence) => markedLine("none", [sentence])));
}
