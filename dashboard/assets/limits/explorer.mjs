// @ts-check
/* Asking what the limits of the page would have raised: one question at a time, the newest when the last one
   is answered. The first answer is about; at rest it is worked out exactly. */
import { askLimits, fetchWork, stopWork } from "../api.mjs";
import { readerPlace } from "../request.mjs";
import { formatDuration } from "../format.mjs";
import { screenTheme } from "../screen.mjs";

/** @typedef {import("./answers.d.ts").Work} Work */

const SLOW_MS = 600;
const REST_MS = 500;
const WORK_AGAIN_MS = 400;

/** How far work has come, in words. @param {Work} work @param {string} doing */
export function workText(work, doing) {
  const left = work.left_s === undefined ? "" : `, ${formatDuration(work.left_s)} left`;
  return `${doing}, ${Math.round(work.share * 100)} %${left}`;
}

/** Whether work still goes on. @param {Work} work */
export function isUnderWay(work) {
  return work.state === "waiting" || work.state === "running";
}

/** Questions of one Limits page. */
export class LimitsExplorer {
  /** @param {import("./page.mjs").LimitsPage} page */
  constructor(page) {
    this.page = page;
    /** Which page asks: a newer question of it replaces an older one. */
    this.id = Math.random().toString(36).slice(2);
    this.isAsking = false;
    /** Whether the next question is wanted, and whether it is about all limits together. */
    this.isWanted = false;
    this.isWhole = false;
    this.hasFailed = false;
    /** The number of the exact work, 0 for none, and what it works on. */
    this.number = 0;
    this.numberOf = "";
    /** How far it has come. @type {Work | null} */
    this.work = null;
    page.listen(window, "pagehide", () => this.stopWork());
    page.listen(page.signal, "abort", () => this.stopWork());
  }

  /** @param {string} what @param {object} question */
  post(what, question) {
    return askLimits(what, question, this.id, this.page.signal);
  }

  /**
   * Starts work; also when the page ends meanwhile its number is waited for, so that the work can be stopped.
   * @param {"exact" | "sweep"} what
   * @param {object} question
   * @returns {Promise<number>} its number, 0 if the page has ended
   */
  async startWork(what, question) {
    const { number } = await askLimits(what, question, this.id);
    if (!this.page.gone) return number;
    stopWork(number);
    return 0;
  }

  /** @param {object} [more] */
  question(more = {}) {
    return { ...this.page.draft.question(), theme: screenTheme(), ...readerPlace(), ...more };
  }

  /** Work that nobody waits for any more would keep everybody else's waiting. */
  stopWork() {
    if (this.number) stopWork(this.number);
  }

  /** Asks what the limits would have raised. @param {{isWhole?: boolean}} [how] whether about all of them together */
  ask({ isWhole = false } = {}) {
    this.page.cancel("rest");
    this.isWanted = true;
    this.isWhole = isWhole;
    if (!this.isAsking) this.askNow();
  }

  async askNow() {
    const { page, isWhole } = this;
    this.isWanted = false;
    this.isAsking = true;
    this.hasFailed = false;
    const began_ms = performance.now();
    page.root.dataset.asking = "yes";
    page.after("slow", SLOW_MS, () => page.answers.renderWaiting(isWhole));
    try {
      const answer = await this.post(
        "evaluate",
        this.question({ whole: isWhole, shapes_key: page.answers.knownShapes() }),
      );
      page.root.dataset.took = String(Math.round(performance.now() - began_ms));
      page.answers.renderAnswer(answer);
    } catch (fault) {
      this.hasFailed = true;
      page.answers.renderUnanswered(fault);
    }
    this.isAsking = false;
    page.cancel("slow");
    page.part("desk").classList.remove("waiting");
    if (this.isWanted) {
      this.askNow();
      return;
    }
    delete page.root.dataset.asking;
    page.root.dataset.answered = String(Number(page.root.dataset.answered || 0) + 1);
    const isAtRest = !isWhole && !page.answers.mistakes.length && !this.hasFailed && !page.lanes.isDragging;
    if (isAtRest) page.after("rest", REST_MS, () => this.askAtRest());
  }

  /** At rest all limits together are asked for, and the chosen one is worked out exactly. */
  askAtRest() {
    const { draft } = this.page;
    const { answer } = this.page.answers;
    if (answer && !answer.can_be_exact && answer.combined_score) return;
    /* What is being worked out for these very limits goes on. */
    const isRunning = Boolean(this.number) && this.numberOf === draft.stateKey();
    const isDue = (!answer || answer.can_be_exact) && !isRunning;
    this.ask({ isWhole: true });
    if (isDue && draft.table) this.computeExactly(false);
  }

  /** @param {boolean} isWhole all limits, and not only the chosen one */
  async computeExactly(isWhole) {
    const key = isWhole ? this.page.draft.stateKey() : "";
    try {
      this.number = await this.startWork("exact", this.question({ whole: isWhole }));
      this.numberOf = key;
      if (this.number) this.poll(this.number);
    } catch (fault) {
      this.page.say(fault.message);
    }
  }

  /** @param {number} number */
  async poll(number) {
    const { page } = this;
    /** @type {Work} */
    let work;
    try {
      work = await fetchWork(number, page.signal);
    } catch {
      work = { number, state: "gone", share: 0 };
    }
    if (number !== this.number) return;
    this.work = isUnderWay(work) ? work : null;
    if (!this.work) this.number = 0;
    page.scores.renderProgress();
    if (this.work) page.after("work", WORK_AGAIN_MS, () => this.poll(number));
    if (work.state === "failed") page.say(work.fault || "");
    if (work.state === "done") this.ask({ isWhole: true });
  }
}
