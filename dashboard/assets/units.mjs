// @ts-check
/* The units in which this reader wants angles and speeds: chosen in a dialog of the head, kept in the
   browser, sent to the server with each question. Other open pages of this browser follow. */
import { findAll } from "./dom.mjs";

const KEPT = "dutytrace-units";
/** Dispatched on the window when the units are others. */
export const UNITS_CHANGED = "dutytrace-units";

/** @returns {{position: string, speed: string}} */
export function chosenUnits() {
  let kept = /** @type {any} */ ({});
  try {
    kept = JSON.parse(localStorage.getItem(KEPT) || "{}") || {};
  } catch {
    /* What nobody wrote is no choice. */
  }
  return { position: String(kept.position || "deg"), speed: String(kept.speed || "deg_s") };
}

function markChosen() {
  const now = /** @type {Record<string, string>} */ (chosenUnits());
  for (const choice of findAll(document, "#units [data-unit]"))
    choice.setAttribute("aria-pressed", String(now[choice.dataset.quantity || ""] === choice.dataset.unit));
}

function announce() {
  markChosen();
  window.dispatchEvent(new Event(UNITS_CHANGED));
}

/** Opens and closes the dialog, and keeps what is chosen in it. */
export function startUnits() {
  document.addEventListener("click", (event) => {
    const dialog = /** @type {HTMLDialogElement | null} */ (document.getElementById("units"));
    const at = /** @type {Element} */ (event.target);
    if (!dialog) return;
    if (at.closest("#units-open")) {
      markChosen();
      dialog.showModal();
    }
    if (at.closest("#units-close")) dialog.close();
    const choice = /** @type {HTMLElement | null} */ (at.closest("#units [data-unit]"));
    if (!choice) return;
    const units = { ...chosenUnits(), [choice.dataset.quantity || ""]: choice.dataset.unit };
    localStorage.setItem(KEPT, JSON.stringify(units));
    announce();
  });
  addEventListener("storage", (event) => {
    if (event.key === KEPT) announce();
  });
}
