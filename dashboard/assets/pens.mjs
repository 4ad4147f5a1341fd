// @ts-check
/* Which joints the reader wants drawn: a joint for each pen, so that the others keep theirs. */

const KEPT = "dutytrace-drawn:";
const PENS = 4;
/** What is said to whoever wants a fifth. */
export const FULL_WORDS = "Four are drawn, and more could not be told apart: choose one of them to draw it no more.";

/**
 * The joints of the pens with one drawn, or no more drawn; null where no pen is free.
 * @param {string[]} slots a joint for each pen, "" for a pen that draws none
 * @param {string} joint
 * @returns {string[] | null}
 */
export function toggled(slots, joint) {
  const all = Array.from({ length: PENS }, (_, i) => slots[i] || "");
  const at = all.indexOf(joint);
  const free = all.indexOf("");
  if (at < 0 && free < 0) return null;
  return all.map((one, i) => (at >= 0 ? (i === at ? "" : one) : i === free ? joint : one));
}

/** The choice that slots are: none, where no pen draws a joint. @param {string[]} slots */
export function choiceOf(slots) {
  return slots.some(Boolean) ? slots : null;
}

/**
 * The joints of the pens with one that has to be drawn: in a free pen, else in the last.
 * @param {string[]} slots
 * @param {string} joint
 */
export function withJoint(slots, joint) {
  if (slots.includes(joint)) return slots;
  return toggled(slots, joint) || [...slots.slice(0, PENS - 1), joint];
}

/**
 * The joint of each pen.
 * @param {{name: string, pen: number}[]} joints
 * @returns {string[]}
 */
export function slotsOf(joints) {
  const slots = Array.from({ length: PENS }, () => "");
  for (const { name, pen } of joints) if (pen) slots[pen - 1] = name;
  return slots;
}

/**
 * What was chosen of a recording on Live, in this tab; null for nothing.
 * @param {string} path
 * @returns {string[] | null}
 */
export function keptChoice(path) {
  const kept = sessionStorage.getItem(KEPT + path);
  return kept ? JSON.parse(kept) : null;
}

/** @param {string} path @param {string[] | null} slots null: the most urgent */
export function keepChoice(path, slots) {
  if (slots) sessionStorage.setItem(KEPT + path, JSON.stringify(slots));
  else sessionStorage.removeItem(KEPT + path);
}
