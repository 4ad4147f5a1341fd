// @ts-check
/* A screen that stays awake while the Live page is looked at, for who watches from across the room: the
   browser's screen wake lock. Kept in this browser; asked for again whenever the page is seen again, since a
   hidden page loses it. Where the browser has none or refuses, the page says so. */
import { byId, setText } from "../dom.mjs";

const KEPT = "dutytrace-awake";
const NO_LOCK = "This browser cannot keep a screen awake: set it in the system.";
const NOT_SECURE =
  "The browser keeps a screen awake only for pages over HTTPS or from its own machine: set it in the system.";
const RELEASED = "The browser has let the screen go to sleep again.";
const REFUSED = "The browser refuses to keep the screen awake; it may be saving its battery.";

/** The switch of the screen's wake lock. */
export class WakeLock {
  /** @param {import("../page.mjs").Page} page @param {HTMLElement} button */
  constructor(page, button) {
    this.button = button;
    this.remark = byId("live-awake-says");
    this.isWanted = localStorage.getItem(KEPT) === "on";
    this.isAsking = false;
    this.fault = "";
    /** @type {WakeLockSentinel | null} */
    this.lock = null;
    button.onclick = () => {
      this.isWanted = !this.isWanted;
      localStorage.setItem(KEPT, this.isWanted ? "on" : "off");
      this.update();
    };
    page.listen(document, "visibilitychange", () => this.update());
    page.listen(page.signal, "abort", () => {
      this.isWanted = false;
      this.lock?.release();
    });
    this.update();
  }

  /** Asks for the lock or lets it go, as is wanted. */
  update() {
    if (!this.isWanted) {
      this.fault = "";
      this.lock?.release();
    } else if (!navigator.wakeLock) this.fault = window.isSecureContext ? NO_LOCK : NOT_SECURE;
    else if (!this.lock && !this.isAsking && !document.hidden) this.request();
    this.render();
  }

  async request() {
    this.isAsking = true;
    try {
      const lock = await navigator.wakeLock.request("screen");
      this.isAsking = false;
      if (!this.isWanted) {
        lock.release();
        return;
      }
      this.lock = lock;
      this.fault = "";
      lock.addEventListener("release", () => {
        this.lock = null;
        if (this.isWanted && !document.hidden) this.fault = RELEASED;
        this.render();
      });
    } catch {
      this.isAsking = false;
      if (this.isWanted) this.fault = REFUSED;
    }
    this.render();
  }

  render() {
    const isAsked = this.isWanted && this.isAsking;
    const state = this.lock ? "on" : this.fault ? "not possible" : isAsked ? "asking" : "off";
    this.button.setAttribute("aria-checked", String(Boolean(this.lock)));
    setText(this.button, "Screen awake: " + state);
    setText(this.remark, this.fault);
  }
}
