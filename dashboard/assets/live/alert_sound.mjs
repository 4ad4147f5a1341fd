// @ts-check
/* Alerts that can be heard on the Live page. Silent until somebody switches it on with a click, since
   browsers make no sound before one; kept in this browser. Made of tones, no file. */
import { byId, setText } from "../dom.mjs";
import { AlertScheduler, LOUD } from "./alert_scheduler.mjs";

const KEPT = "dutytrace-sound";
const TICK_MS = 500;
/* A browser that lets a page sound takes a moment to begin. */
const PATIENCE_MS = 500;
/* Frequency in Hz, from s, for s: a warning falls softly, a trip insists and rises. */
const TONES = {
  warning: [
    [587, 0, 0.3],
    [440, 0.28, 0.42],
  ],
  trip: [
    [880, 0, 0.16],
    [880, 0.2, 0.16],
    [1175, 0.4, 0.34],
  ],
};
const SILENT = 0.0001;
const NO_AUDIO = "This browser makes no sound: alerts are only shown.";
const WANTS_CLICK = "The alert sound is switched on, and the browser wants a click on this page before it makes any.";

/** The switch of the alert sound, and what sounds. */
export class AlertSound {
  /** @param {import("../page.mjs").Page} page @param {HTMLElement} button */
  constructor(page, button) {
    this.page = page;
    this.button = /** @type {HTMLButtonElement} */ (button);
    this.remark = byId("live-sound-says");
    this.scheduler = new AlertScheduler();
    this.tones = 0;
    this.opened_ms = 0;
    /** @type {AudioContext | null} */
    this.context = null;
    this.canSound = Boolean(window.AudioContext);
    this.isWanted = this.canSound && localStorage.getItem(KEPT) === "on";
    button.onclick = () => this.toggle();
    for (const kind of ["click", "keydown"])
      page.listen(document, kind, (event) => this.useGesture(event), { capture: true });
    page.every(TICK_MS, () => this.tick());
    page.listen(page.signal, "abort", () => this.close());
    if (this.isWanted) this.open();
    this.render();
  }

  get isRunning() {
    return this.context?.state === "running";
  }

  /** Any click or key lets a browser sound that wants one first. @param {Event} event */
  useGesture(event) {
    if (!this.isWanted || this.isRunning || this.button.contains(/** @type {Node} */ (event.target))) return;
    this.context?.resume().then(
      () => {
        this.render();
        this.tick();
      },
      () => this.render(),
    );
  }

  open() {
    const context = new AudioContext();
    context.onstatechange = () => this.render();
    this.context = context;
    this.opened_ms = performance.now();
    this.page.after("sound", PATIENCE_MS + 50, () => this.render());
    return context;
  }

  close() {
    if (!this.context) return;
    this.context.onstatechange = null;
    this.context.close();
    this.context = null;
  }

  toggle() {
    if (this.isWanted && this.isRunning) {
      this.isWanted = false;
      this.close();
    } else {
      if (!this.isWanted && this.scheduler.sounded) this.scheduler.restart();
      this.isWanted = true;
      this.sayHello(this.context || this.open());
    }
    localStorage.setItem(KEPT, this.isWanted ? "on" : "off");
    this.render();
  }

  /** A test tone for whoever switched it on. @param {AudioContext} context */
  sayHello(context) {
    context.resume().then(
      () => {
        if (this.context !== context) return;
        this.play("warning", LOUD);
        this.scheduler.last_ms = performance.now();
        this.render();
      },
      () => this.render(),
    );
  }

  /** What stands open, as the live route says. @param {string} path @param {any[]} alerts */
  update(path, alerts) {
    this.scheduler.update(path, alerts);
    this.tick();
  }

  tick() {
    if (!this.isWanted || !this.isRunning || this.scheduler.sounded === null) return;
    const sound = this.scheduler.next(performance.now());
    if (sound) this.play(sound.kind, sound.gain);
  }

  /** @param {"warning" | "trip"} kind @param {number} gain */
  play(kind, gain) {
    const { context } = this;
    if (!context) return;
    const now = context.currentTime + 0.02;
    for (const [hertz, from, length] of TONES[kind]) {
      const tone = context.createOscillator();
      const level = context.createGain();
      tone.type = "triangle";
      tone.frequency.value = hertz;
      /* It swells and fades: a tone that is cut clicks. */
      level.gain.setValueAtTime(SILENT, now + from);
      level.gain.exponentialRampToValueAtTime(gain, now + from + 0.02);
      level.gain.exponentialRampToValueAtTime(SILENT, now + from + length);
      tone.connect(level).connect(context.destination);
      tone.start(now + from);
      tone.stop(now + from + length);
    }
    this.tones += 1;
    Object.assign(this.button.dataset, { tone: kind, gain: String(gain), tones: String(this.tones) });
  }

  render() {
    const { button, isWanted } = this;
    const isOn = isWanted && this.isRunning;
    const isRefused = isWanted && !isOn && performance.now() - this.opened_ms >= PATIENCE_MS;
    button.disabled = !this.canSound;
    button.className = isRefused ? "asked" : "plain";
    button.setAttribute("aria-checked", String(isOn));
    setText(button, isRefused ? "Click to hear alerts" : isWanted ? "Alert sound: on" : "Alert sound: off");
    setText(this.remark, !this.canSound ? NO_AUDIO : isRefused ? WANTS_CLICK : "");
  }
}
