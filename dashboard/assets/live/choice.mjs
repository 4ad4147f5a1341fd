// @ts-check
/* Which joints the reader wants drawn: a joint for each pen, kept for each recording in this tab. */

const KEPT = "dutytrace-drawn:";
const PENS = 4;

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

/** What was chosen of a recording; null for nothing. @param {string} path @returns {string[] | null} */
export function keptChoice(path) {
  const kept = sessionStorage.getItem(KEPT + path);
  return kept ? JSON.parse(kept) : null;
}

/** @param {string} path @param {string[] | null} slots null: the most urgent */
export function keepChoice(path, slots) {
  if (slots) sessionStorage.setItem(KEPT + path, JSON.stringify(slots));
  else sessionStorage.removeItem(KEPT + path);
}
