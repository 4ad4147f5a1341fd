// @ts-check
/* The keys of Replay, as the list of keys tells them. */
import { isPageKey } from "../keys.mjs";

/** Does what a key is for. @param {import("./page.mjs").ReplayPage} page @param {KeyboardEvent} event */
export function pressKey(page, event) {
  if (!isPageKey(event) || !page.opened) return;
  const on = /** @type {HTMLElement} */ (event.target).tagName;
  if (event.key === " " && on === "BUTTON") return;
  if (page.overlay.pressKey(event)) {
    event.preventDefault();
    return;
  }
  const { transport } = page;
  const share = event.shiftKey ? 0.1 : undefined;
  /** @type {Record<string, () => void>} */
  const actions = {
    " ": () => transport.play(!transport.isPlaying),
    ArrowLeft: () => transport.step(-1, share),
    ArrowRight: () => transport.step(1, share),
    "[": () => transport.toAlert(-1),
    "]": () => transport.toAlert(1),
    "{": () => transport.toAlert(-1, true),
    "}": () => transport.toAlert(1, true),
    "+": () => page.zoom(0.5),
    "=": () => page.zoom(0.5),
    "-": () => page.zoom(2),
    ",": () => transport.setSpeed(transport.speed - 1),
    ".": () => transport.setSpeed(transport.speed + 1),
    Escape: () => page.takeSpan(null),
  };
  const bracket = event.shiftKey ? { BracketLeft: "{", BracketRight: "}" }[event.code] : undefined;
  const action = actions[bracket ?? event.key];
  if (!action || (on === "INPUT" && event.key.startsWith("Arrow"))) return;
  event.preventDefault();
  action();
}
