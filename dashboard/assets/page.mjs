// @ts-check
/* What the pages share: one signal that ends all that they listen to, timers that end with it, the address
   that holds their view, and the words that a server's answer is waited for with. */
import { screenHeight, screenForm, screenTheme } from "./screen.mjs";

/** How long a view rests before the address takes it: a browser refuses an address for every step of a drag. */
const ADDRESS_AFTER_MS = 300;

/** A page of the dashboard: mounted on its element, ended once and for all. */
export class Page {
  #abort = new AbortController();
  /** @type {Map<string, ReturnType<typeof setTimeout>>} */
  #timers = new Map();

  /** @param {HTMLElement} root */
  constructor(root) {
    this.root = root;
    /** Aborted when the page ends: listeners and requests of it end with it. */
    this.signal = this.#abort.signal;
  }

  /** Whether the page was left. */
  get gone() {
    return this.signal.aborted;
  }

  end() {
    this.#abort.abort();
    for (const timer of this.#timers.values()) clearTimeout(timer);
  }

  /**
   * Listens until the page ends.
   * @param {EventTarget} target
   * @param {string} kind
   * @param {(event: any) => void} does
   * @param {AddEventListenerOptions} [options]
   */
  listen(target, kind, does, options = {}) {
    target.addEventListener(kind, does, { ...options, signal: this.signal });
  }

  /**
   * Does something once after a pause; asked again under the same name, the pause begins anew.
   * @param {string} name
   * @param {number} pause_ms
   * @param {() => void} does
   */
  after(name, pause_ms, does) {
    clearTimeout(this.#timers.get(name));
    if (this.gone) return;
    this.#timers.set(name, setTimeout(does, pause_ms));
  }

  /** Forgets what was to be done after a pause. @param {string} name */
  cancel(name) {
    clearTimeout(this.#timers.get(name));
  }

  /**
   * Puts the view into the address once it rests. Who went to another address meanwhile has that one kept:
   * the view that was left must not be written over the one that was gone back to.
   * @param {() => string} address
   */
  saveAddress(address) {
    const { href } = location;
    this.after("address", ADDRESS_AFTER_MS, () => {
      if (location.href === href) history.replaceState(null, "", address());
    });
  }

  /** Does something again and again until the page ends. @param {number} period_ms @param {() => void} does */
  every(period_ms, does) {
    const timer = setInterval(does, period_ms);
    this.listen(this.signal, "abort", () => clearInterval(timer));
  }

  /** Does something once the screen has another size, colours or units. @param {() => void} does */
  onScreenChange(does) {
    const settled = () => this.after("screen", 150, does);
    this.listen(window, "resize", settled);
    this.listen(matchMedia("(prefers-color-scheme: dark)"), "change", settled);
  }
}

/** How a figure is to be made for this screen. @param {number} width @param {number} [height] */
export function figureSize(width, height = screenHeight(790)) {
  return { width, height, form: screenForm(), theme: screenTheme() };
}

/**
 * An axis that is shown of a whole: `wide` seconds around, within it.
 * @param {number} from
 * @param {number} to
 * @param {number} least
 * @param {number} whole
 * @returns {[number, number]}
 */
export function windowWithin(from, to, least, whole) {
  const width = Math.min(Math.max(to - from, Math.min(least, whole)), whole);
  const start = Math.min(Math.max(from, 0), whole - width);
  return [start, start + width];
}

/** A number as an address holds it: to the millisecond. @param {number} seconds */
export function toMilli(seconds) {
  return String(Math.round(seconds * 1000) / 1000);
}
