// @ts-check
/* Limits that one page proposes to the Limits page, which takes them up once as an unsaved draft. */

/** @typedef {import("./heat/answers.d.ts").Proposed} Proposed */

const PROPOSED = "dutytrace-proposed";

/** @param {Proposed} proposed */
export function keepProposed(proposed) {
  sessionStorage.setItem(PROPOSED, JSON.stringify(proposed));
}

/** What was proposed, once; null for nothing. @returns {Proposed | null} */
export function takeProposed() {
  const kept = sessionStorage.getItem(PROPOSED);
  sessionStorage.removeItem(PROPOSED);
  try {
    const proposed = JSON.parse(kept || "null");
    return Array.isArray(proposed?.tables) ? proposed : null;
  } catch {
    return null;
  }
}
