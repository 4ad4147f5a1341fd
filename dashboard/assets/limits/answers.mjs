// @ts-check
/* What the server answered on the Limits page, and what its parts show of it. What is shown while another
   question is open is pale, and a line that is dragged never waits for an answer. */
import { setText } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Evaluation} Evaluation */
/** @typedef {import("./answers.d.ts").LimitRow} LimitRow */
/** @typedef {import("./answers.d.ts").Measure} Measure */
/** @typedef {import("./answers.d.ts").Mistake} Mistake */
/** @typedef {import("./answers.d.ts").Refusal} Refusal */

const NOT_ANSWERED = {
  lost: "Not answered: the server cannot be reached.",
  badEnd: "Not answered: the bad end does not fit.",
  mistake: "Not answered: something is to be mended, where it is said.",
  limits: "Not answered: something is to be mended in the limits, where it is said.",
};

/** The last answer. */
export class LimitsAnswers {
  /** @param {import("./page.mjs").LimitsPage} page */
  constructor(page) {
    this.page = page;
    /** The last answer; its traces come only where they are others. @type {Evaluation | null} */
    this.answer = null;
    /** @type {import("./scale.mjs").Shape[][] | null} */
    this.shapes = null;
    /** What the traces are of. */
    this.shapesKey = "";
    /** What was found of each limit. @type {LimitRow[]} */
    this.results = [];
    /** @type {Mistake[]} */
    this.mistakes = [];
  }

  /** Forgets what was found of limits that are no longer there. */
  forget() {
    this.results = [];
    this.mistakes = [];
  }

  /** Where the traces are known they are not sent again. */
  knownShapes() {
    return this.shapes ? this.shapesKey : "";
  }

  /** @param {boolean} isWhole */
  renderWaiting(isWhole) {
    const count = this.page.draft.paths.length;
    if (!isWhole) this.page.part("desk").classList.add("waiting");
    this.page.scores.say(`reading ${count}${count === 1 ? " recording" : " recordings"}`);
  }

  /** @param {import("../request.mjs").RequestError} fault */
  renderUnanswered(fault) {
    const mistakes = /** @type {{where: string, path: any[]}[]} */ (fault.answer.mistakes || []);
    const isBadEnd = mistakes.some(({ where, path }) => where === "bad end" || path[0] === "bad_end");
    this.page.badEndForm.renderMistake(isBadEnd ? fault.message : "");
    this.mistakes = isBadEnd || fault.lost ? [] : [{ index: -1, key: "", text: fault.message }];
    this.page.limitForms.renderResults();
    this.markUnanswered(fault.lost ? NOT_ANSWERED.lost : isBadEnd ? NOT_ANSWERED.badEnd : NOT_ANSWERED.mistake);
  }

  /**
   * What is shown answers another question than the one that is asked: it is pale, and said.
   * @param {string} sentence
   */
  markUnanswered(sentence) {
    this.page.part("desk").classList.toggle("unanswered", Boolean(sentence));
    setText(this.page.part("unanswered"), sentence);
    this.page.part("unanswered").hidden = !sentence;
    if (!sentence || this.isChosen(this.page.lanes.chosen)) return;
    this.answer = null;
    this.shapes = null;
    this.page.lanes.clear();
    this.page.scores.clear();
    this.page.part("curved").hidden = true;
  }

  /** @param {Evaluation | Refusal} answer */
  renderAnswer(answer) {
    this.mistakes = answer.mistakes || [];
    if (answer.mistakes) {
      this.page.limitForms.renderResults();
      this.markUnanswered(NOT_ANSWERED.limits);
      return;
    }
    this.page.badEndForm.renderMistake("");
    this.markUnanswered("");
    const isFirst = !this.page.channels;
    const isNews = JSON.stringify(answer.channels) !== JSON.stringify(this.page.channels);
    this.page.channels = answer.channels;
    this.page.draft.formKeys = answer.forms;
    this.results = answer.limits;
    this.answer = answer;
    this.takeShapes(answer.chosen);
    /* Whoever types in a form keeps it. */
    const isTypedIn = document.activeElement?.closest("#judge-limits, #judge-end");
    if (isNews && !isTypedIn) this.page.buildForms();
    else {
      this.page.limitForms.renderResults();
      if (isNews && isFirst) this.page.sweep.build();
    }
    this.renderLanes();
    this.page.scores.render(answer);
    this.page.curve.fetch();
  }

  /** @param {Measure | undefined} chosen */
  takeShapes(chosen) {
    if (chosen?.shapes_key === undefined) {
      this.shapes = null;
      return;
    }
    if (chosen.shapes) this.shapes = chosen.shapes;
    this.shapesKey = chosen.shapes_key;
  }

  renderLanes() {
    const { answer } = this;
    if (!answer) return;
    const mark = answer.limits[this.page.draft.chosen]?.mark || "none";
    const chosen = { ...(answer.chosen || { levels: [] }), mark };
    /* The lines stand where the level is now: an answer to where it was a moment ago moves none. */
    if (chosen.levels && this.isChosen(chosen)) chosen.levels = this.levelsNow(chosen.levels);
    this.page.lanes.render(answer, chosen, this.shapes);
  }

  /** Whether what is drawn is of the open limit. @param {{name?: string, levels?: any} | null} drawn */
  isChosen(drawn) {
    const { table } = this.page.draft;
    return Boolean(table && drawn && drawn.name === table.name);
  }

  /** Where the levels are by what the page holds. @param {import("./scale.mjs").Level[][][]} lanes */
  levelsNow(lanes) {
    const table = this.page.draft.table || {};
    return lanes.map((lane) =>
      lane.map((joint) =>
        joint.map((level) => {
          const value = level.place === null ? table[level.key] : (table[level.key] || [])[level.place];
          return typeof value === "number" ? { ...level, at: value * level.scale } : level;
        }),
      ),
    );
  }

  /** @param {import("./scale.mjs").Level} handle @param {number} value @param {boolean} isReleased */
  moveLevel(handle, value, isReleased) {
    /* What is drawn may be another limit's still: its lines move nothing. */
    if (!this.isChosen(this.page.lanes.chosen)) return;
    this.page.draft.moveLevel(handle, value);
    handle.at = value * handle.scale;
    this.page.lanes.follow(this.levelsNow(this.page.lanes.chosen.levels));
    this.page.limitForms.follow();
    this.page.ask();
    if (isReleased) this.renderLanes();
  }
}
