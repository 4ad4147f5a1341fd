// @ts-check
/* Which alert sounds next. Knows no clock and makes no sound: a trip that nobody has acknowledged sounds
   whenever it was raised, and again every ten seconds, softer; a warning sounds once, and not when it was
   there before the page. What is shelved or acknowledged is silent. */

const AGAIN_MS = 10000;
const APART_MS = 3000;
const TONE_MS = 900;
export const LOUD = 0.3;
export const SOFT = 0.1;

/** An open alert: its number, and what is to be heard of it, "trip", "warning" or "".
 * @typedef {{number: number, sound: string}} HeardAlert */

/** The order in which alerts sound. */
export class AlertScheduler {
  constructor() {
    /** @type {HeardAlert[]} */
    this.alerts = [];
    /** Numbers of what has sounded, null before the first alerts came. @type {Set<number> | null} */
    this.sounded = null;
    /** @type {string | null} */
    this.path = null;
    this.last_ms = -Infinity;
    this.trip_ms = -Infinity;
  }

  /** What stands open in a recording. @param {string} path @param {HeardAlert[]} alerts */
  update(path, alerts) {
    if (this.sounded === null)
      this.sounded = new Set(alerts.filter((alert) => alert.sound === "warning").map((alert) => alert.number));
    else if (path !== this.path) this.sounded = new Set();
    this.path = path;
    this.alerts = alerts;
    /* What is shelved sounds again when it speaks again. */
    for (const alert of alerts) if (!alert.sound) this.sounded.delete(alert.number);
  }

  /** Nothing that is open now is news any more; a trip still sounds. */
  restart() {
    for (const alert of this.alerts) if (alert.sound === "warning") this.sounded?.add(alert.number);
    this.last_ms = this.trip_ms = -Infinity;
  }

  /**
   * What has to sound now, null for nothing.
   * @param {number} now_ms
   * @returns {{kind: "trip" | "warning", gain: number} | null}
   */
  next(now_ms) {
    if (now_ms - this.last_ms < TONE_MS) return null; /* one tone at a time */
    const fresh = this.alerts.filter((alert) => alert.sound && !this.sounded?.has(alert.number));
    const sound = this.choose(fresh, now_ms);
    if (!sound) return null;
    for (const alert of fresh) this.sounded?.add(alert.number);
    this.last_ms = now_ms;
    if (sound.kind === "trip") this.trip_ms = now_ms;
    return sound;
  }

  /**
   * @param {HeardAlert[]} fresh
   * @param {number} now_ms
   * @returns {{kind: "trip" | "warning", gain: number} | null}
   */
  choose(fresh, now_ms) {
    if (fresh.some((alert) => alert.sound === "trip")) return { kind: "trip", gain: LOUD };
    if (now_ms - this.last_ms < APART_MS) return null;
    if (fresh.length) return { kind: "warning", gain: LOUD };
    const hasTrip = this.alerts.some((alert) => alert.sound === "trip");
    return hasTrip && now_ms - this.trip_ms >= AGAIN_MS ? { kind: "trip", gain: SOFT } : null;
  }
}
