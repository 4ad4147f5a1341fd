// @ts-check
/* The transport: play and pause, steps, alerts before and after, the speed, the window's buttons. */
import { clamp, find, findAll, html, setText } from "../dom.mjs";

const SPEEDS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000];
const LABELLED = [0.1, 1, 10, 100, 1000];
const STEP_SHARE = 1 / 200;

/** Moves the play-head of the page. */
export class Transport {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    this.isPlaying = false;
    this.speed = SPEEDS.indexOf(10);
    this.range = html("input");
    this.stops = html("div", "stops");
    this.nowStop = html("span", "on");
    this.makeSpeed();
    page.part("play").onclick = () => this.play(!this.isPlaying);
    page.part("back").onclick = () => this.step(-1);
    page.part("on").onclick = () => this.step(1);
    page.part("before").onclick = () => this.toAlert(-1);
    page.part("after").onclick = () => this.toAlert(1);
    for (const choice of findAll(page.root, ".choice"))
      choice.onclick = () => this.chooseWindow(Number(choice.dataset.window));
  }

  makeSpeed() {
    const { range, stops } = this;
    range.type = "range";
    [range.min, range.max, range.step] = ["0", String(SPEEDS.length - 1), "1"];
    range.setAttribute("aria-label", "Speed");
    range.oninput = () => this.setSpeed(Number(range.value));
    for (const speed of LABELLED) {
      const stop = html("span", "", speed + "×");
      const at = SPEEDS.indexOf(speed);
      stop.dataset.at = String(at);
      stop.style.left = (at / (SPEEDS.length - 1)) * 100 + "%";
      stops.append(stop);
    }
    stops.append(this.nowStop);
    this.page.part("speed").replaceChildren(range, stops);
    this.setSpeed(this.speed);
  }

  /** @param {number} place in the list of speeds */
  setSpeed(place) {
    this.speed = clamp(place, 0, SPEEDS.length - 1);
    this.range.value = String(this.speed);
    this.range.setAttribute("aria-valuetext", SPEEDS[this.speed] + " times");
    this.nowStop.style.left = (this.speed / (SPEEDS.length - 1)) * 100 + "%";
    setText(this.nowStop, SPEEDS[this.speed] + "×");
    for (const stop of findAll(this.stops, "[data-at]"))
      stop.style.visibility = Math.abs(Number(stop.dataset.at) - this.speed) < 2 ? "hidden" : "";
  }

  /** @param {number} seconds 0 for the whole test */
  chooseWindow(seconds) {
    const { page } = this;
    if (!page.opened) return;
    if (!seconds) page.show(0, page.opened.length_s);
    else page.show(page.head - seconds * 0.3, page.head + seconds * 0.7);
  }

  /** @param {boolean} on */
  play(on) {
    const { page } = this;
    if (!page.opened) return;
    this.isPlaying = on;
    const button = page.part("play");
    const label = on ? "Pause" : "Play";
    find(button, "i").className = on ? "i-pause" : "i-play";
    button.setAttribute("aria-label", label);
    button.title = label;
    if (!on) return;
    if (page.head >= page.opened.length_s - 1e-3) page.head = 0;
    let last = performance.now();
    const turn = (/** @type {number} */ now) => {
      if (!this.isPlaying || page.gone) return;
      const head = page.head + ((now - last) / 1000) * SPEEDS[this.speed];
      last = now;
      page.moveHead(Math.min(head, page.opened.length_s), { follow: true });
      if (head >= page.opened.length_s) this.play(false);
      else requestAnimationFrame(turn);
    };
    requestAnimationFrame(turn);
  }

  /** @param {number} way @param {number} [share] of the window */
  step(way, share = STEP_SHARE) {
    const { page } = this;
    if (!page.opened || !page.view) return;
    this.play(false);
    page.moveHead(page.head + way * (page.view[1] - page.view[0]) * share, { follow: true });
  }

  /**
   * Goes to the next alert, or trip; of one that chatters to the first of its run.
   * @param {number} way
   * @param {boolean} [isTrip]
   */
  toAlert(way, isTrip = false) {
    const { opened, head } = this.page;
    if (!opened) return;
    /** @type {number[]} */
    const stops = isTrip ? opened.trip_stops : opened.alert_stops;
    const isBeyond = (/** @type {number} */ at) => (way > 0 ? at > head + 1e-3 : at < head - 1e-3);
    const next = way > 0 ? stops.find(isBeyond) : stops.findLast(isBeyond);
    if (next !== undefined) this.page.moveHead(next, { follow: true });
  }
}
