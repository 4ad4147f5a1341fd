// @ts-check
/* The buttons and keys of the Bus page: windows, lengths of a span, steps, what happened, the next bus. */
import { findAll, setText } from "../dom.mjs";
import { isPageKey } from "../keys.mjs";

/** The narrowest window, and the least that a recording counts for. */
export const LEAST_WINDOW_S = 10;

/** What a person presses on the page. */
export class BusControls {
  /** @param {import("./page.mjs").BusPage} page */
  constructor(page) {
    this.page = page;
    page.select.onchange = () => page.open(page.select.value);
    for (const choice of findAll(page.root, "[data-view]"))
      choice.onclick = () => page.answer && this.chooseWindow(Number(choice.dataset.view));
    for (const choice of findAll(page.root, "[data-length]"))
      choice.onclick = () => this.chooseLength(Number(choice.dataset.length));
    page.part("earlier").onclick = () => this.step(-1);
    page.part("later").onclick = () => this.step(1);
    page.part("follow").onclick = () => page.follow();
    page.listen(page.part("buses"), "click", (event) => {
      const button = event.target.closest("button[data-bus]");
      if (button) page.chooseBus(button.dataset.bus);
    });
    page.listen(document, "keydown", (event) => this.pressKey(event));
  }

  /** Shows which of the buttons are so. */
  markChoices() {
    const { view, length_s, live } = this.page.answer;
    const width = view[1] - view[0];
    const whole = Math.max(length_s, LEAST_WINDOW_S);
    const isWhole = width >= whole - 0.01;
    for (const choice of findAll(this.page.root, "[data-view]")) {
      const seconds = Number(choice.dataset.view);
      const isOn = seconds ? !isWhole && Math.abs(seconds - width) < 0.5 : isWhole;
      choice.setAttribute("aria-pressed", String(isOn));
      /** @type {HTMLButtonElement} */ (choice).disabled = seconds > whole;
    }
    for (const choice of findAll(this.page.root, "[data-length]")) {
      const isOn = Math.abs(Number(choice.dataset.length) - this.page.spanLength()) < 0.01;
      choice.setAttribute("aria-pressed", String(isOn));
    }
    const follow = this.page.part("follow");
    follow.setAttribute("aria-pressed", String(!this.page.span));
    setText(follow, this.page.span ? "Go to the newest" : live ? "Following the newest" : "At the newest");
  }

  /** @param {number} way @param {number} [share] of the window; a span's length without */
  step(way, share) {
    const span = this.page.shownSpan();
    if (!span) return;
    const length = this.page.spanLength();
    const by = share ? (this.page.answer.view[1] - this.page.answer.view[0]) * share : length;
    const from = way > 0 ? span[0] + by : span[1] - length - by;
    this.page.takeSpan(from, from + length);
  }

  /** @param {number} way */
  toEvent(way) {
    const span = this.page.shownSpan();
    const at = span ? (span[0] + span[1]) / 2 : 0;
    const { events, event_times_s } = this.page.answer;
    const isBeyond = (/** @type {number} */ time) => (way > 0 ? time > at + 1e-3 : time < at - 1e-3);
    const next = way > 0 ? event_times_s.find(isBeyond) : event_times_s.findLast(isBeyond);
    if (next === undefined) return;
    const event = events.find((one) => Math.abs(one.at_s - next) < 2e-3);
    this.page.visit(next, event?.bus);
  }

  nextBus() {
    const { buses } = this.page.answer;
    const place = buses.findIndex((/** @type {any} */ bus) => bus.name === this.page.bus);
    this.page.chooseBus(buses[(place + 1) % buses.length].name);
  }

  /** @param {number} seconds 0 for the whole recording */
  chooseWindow(seconds) {
    const { length_s } = this.page.answer;
    const end = this.page.shownSpan()?.[1] ?? length_s;
    if (seconds) this.page.show(end - seconds, end);
    else this.page.show(0, length_s);
  }

  /** @param {number} seconds */
  chooseLength(seconds) {
    if (this.page.span) {
      this.page.takeSpan(this.page.span[0], this.page.span[0] + seconds);
      return;
    }
    this.page.newest = seconds;
    this.page.fetch();
  }

  /** @param {KeyboardEvent} event */
  pressKey(event) {
    if (!isPageKey(event) || !this.page.answer) return;
    const share = event.shiftKey ? 0.1 : undefined;
    /** @type {Record<string, () => void>} */
    const actions = {
      arrowleft: () => this.step(-1, share),
      arrowright: () => this.step(1, share),
      "[": () => this.toEvent(-1),
      "]": () => this.toEvent(1),
      "+": () => this.page.zoom(0.5),
      "=": () => this.page.zoom(0.5),
      "-": () => this.page.zoom(2),
      f: () => this.page.follow(),
      b: () => this.nextBus(),
    };
    const action = actions[event.key.toLowerCase()];
    if (!action) return;
    const on = /** @type {Element} */ (event.target);
    if (event.key.startsWith("Arrow") && on.closest?.(".wide-table")) return;
    event.preventDefault();
    action();
  }
}
