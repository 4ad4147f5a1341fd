// @ts-check
/* The head of the Measure page: joint, recording, what to measure, and the cautions before the first step. */
import { button, html, renderFact, setText } from "../dom.mjs";
import { programmeList } from "./programme.mjs";

/** @typedef {import("./page.mjs").MeasurePage} MeasurePage */
/** @typedef {import("./answers.d.ts").Kind} Kind */

/** @param {MeasurePage} page @param {import("./answers.d.ts").MeasureAnswer} answer */
export function renderHead(page, answer) {
  const { kind, measurement } = page;
  const label = answer.joints.find(({ name }) => name === answer.joint)?.label || answer.joint;
  document.title = `Measure: ${kind ? `${kind.title}, ` : ""}${label || answer.name} – dutytrace`;
  setText(page.part("title"), kind?.title || "Measure");
  setText(page.part("from"), `${answer.name}, ${answer.live ? "still recording" : answer.when}`);
  /** @type {HTMLAnchorElement} */ (page.part("replay")).href = "/replay/" + encodeURIComponent(answer.path);
  renderFact(page.part("joints"), [answer.joints, answer.joint], () =>
    answer.joints.map(({ name, label: words, pen }) => {
      const choice = button("", () => {
        measurement.clear();
        page.take({ joint: name });
      });
      choice.append(html("span", `pen pen-${pen}`), " ", words);
      choice.setAttribute("aria-pressed", String(name === answer.joint));
      return choice;
    }),
  );
  const kinds = page.part("kinds");
  renderFact(kinds, [page.kinds, kind?.name], () => {
    /* On a narrow screen they scroll: the chosen one is kept in sight. */
    requestAnimationFrame(() => {
      const chosen = kinds.querySelector("[aria-pressed=true]");
      if (chosen instanceof HTMLElement) kinds.scrollLeft = chosen.offsetLeft - kinds.offsetLeft;
    });
    return page.kinds.map(({ name, title, words, takes }) => {
      const choice = button(title, () => {
        measurement.clear();
        measurement.divisions.clear();
        measurement.channels.clear();
        page.take({ kind: name, way: "" });
      });
      choice.title = `${words}; about ${takes}`;
      choice.setAttribute("aria-pressed", String(name === kind?.name));
      return choice;
    });
  });
  renderWays(page, kind);
}

/** @param {MeasurePage} page @param {Kind | undefined} kind */
function renderWays(page, kind) {
  const box = page.part("ways");
  const ways = kind?.ways || [];
  box.hidden = !ways.length;
  const chosen = ways.find(({ name }) => name === page.measurement.way)?.name || ways[0]?.name;
  renderFact(box, [kind?.name, chosen], () =>
    ways.map(({ name, words }) => {
      const choice = button(words, () => {
        page.measurement.clear();
        page.take({ way: name });
      });
      choice.setAttribute("aria-pressed", String(name === chosen));
      return choice;
    }),
  );
}

/**
 * The cautions: before the first step they have to be read once, after it they stay above every step.
 * @param {MeasurePage} page
 * @param {Kind | undefined} kind
 */
export function renderCaution(page, kind) {
  const { isAcknowledged } = page.measurement;
  const programme = page.programme.find(({ name }) => name === page.answer?.joint);
  renderFact(page.part("caution"), [kind?.name, isAcknowledged, kind ? null : programme], () => {
    if (!kind)
      return [
        html("p", "lede", "Choose what to measure of this joint."),
        html(
          "p",
          "",
          "You or your controller move the joint; this page only watches. In this order, cold before warm:",
        ),
        ...(programme ? [programmeList(programme, (name) => page.take({ kind: name, way: "" }))] : []),
      ];
    if (isAcknowledged) {
      const short = html("p", "", [
        html("span", "mark abnormal"),
        html("b", "", " Take care. "),
        kind.cautions.join(" "),
      ]);
      return [short];
    }
    const read = button("I have read this", () => {
      page.measurement.acknowledge();
      page.fetch().then(() => page.part("steps").scrollIntoView({ block: "nearest" }));
    });
    read.className = "asked";
    const lines = kind.cautions.map((line) => html("li", "", line));
    return [
      html("p", "lede", [html("span", "mark abnormal"), ` Before the first step: ${kind.words}.`]),
      html("ul", "", lines),
      html("div", "does", [read, html("small", "", `It takes about ${kind.takes}.`)]),
    ];
  });
  page.part("caution").classList.toggle("plate-of-caution", Boolean(kind));
}
