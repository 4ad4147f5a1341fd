// @ts-check
/* A list of a height of its own: it scrolls within itself, says how many it has, and is one stop of the
   Tab key; the arrow keys, Home and End go from row to row. */
import { findAll, setText } from "../dom.mjs";

/* A list of fewer rows is as long as it is. */
const FEW = 8;

/**
 * Wires a list once; its rows may be others afterwards.
 * @param {HTMLElement} box
 */
export function ownHeight(box) {
  box.classList.add("own-height");
  box.addEventListener("keydown", (event) => pressKey(box, event));
  box.addEventListener("focusin", (event) => {
    const row = rowsOf(box).find((one) => one === event.target);
    if (row) takeStop(box, row);
  });
}

/**
 * Says how many rows there are now, beside the heading; the first is where the Tab key stops.
 * @param {HTMLElement} box
 * @param {HTMLElement} count where the number stands
 */
export function countRows(box, count) {
  /* A note from outside of the recording is a row that leads nowhere. */
  const number = findAll(box, ".noted:not(.again)").length;
  box.classList.toggle("many", number > FEW);
  setText(count, number > FEW ? `${number}` : "");
  const [first] = rowsOf(box);
  if (first) takeStop(box, first);
}

/** What a row does, once for each row. @param {HTMLElement} box */
function rowsOf(box) {
  return findAll(box, "button");
}

/** @param {HTMLElement} box @param {HTMLElement} row */
function takeStop(box, row) {
  for (const one of rowsOf(box)) one.tabIndex = one === row ? 0 : -1;
}

/** @param {HTMLElement} box @param {KeyboardEvent} event */
function pressKey(box, event) {
  const rows = rowsOf(box);
  const at = rows.indexOf(/** @type {HTMLElement} */ (document.activeElement));
  if (at < 0) return;
  const last = rows.length - 1;
  const to = { ArrowDown: Math.min(at + 1, last), ArrowUp: Math.max(at - 1, 0), Home: 0, End: last }[event.key];
  if (to === undefined) return;
  event.preventDefault();
  event.stopPropagation();
  rows[to].focus();
}
