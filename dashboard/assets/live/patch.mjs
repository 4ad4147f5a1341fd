// @ts-check
/* What changed of words and lists, put into what was known (dashboard/live/json_patch.py). */

/** @param {any} value */
function isMap(value) {
  return value !== null && typeof value === "object" && !Array.isArray(value);
}

/** @param {any} value */
function isListOfMaps(value) {
  return Array.isArray(value) && value.length > 0 && value.every(isMap);
}

/**
 * A merge patch (RFC 7396) put into what was known, and one thing more: lists of as many maps as before
 * are merged place by place. What is null is taken out.
 * @param {Record<string, any>} known
 * @param {Record<string, any>} patch
 * @returns {Record<string, any>} anew; what was known stays as it was
 */
export function mergePatch(known, patch) {
  const merged = { ...known };
  for (const [key, value] of Object.entries(patch)) {
    const old = known[key];
    if (value === null) delete merged[key];
    else if (isMap(value) && isMap(old)) merged[key] = mergePatch(old, value);
    else if (isListOfMaps(value) && isListOfMaps(old) && old.length === value.length)
      merged[key] = value.map((/** @type {any} */ one, /** @type {number} */ i) => mergePatch(old[i], one));
    else merged[key] = value;
  }
  return merged;
}

/**
 * What goes and comes in a list, put into it in place.
 * @param {any[]} list
 * @param {[number, number, ...any[]][]} edits where, how many go, and what comes
 */
export function applyEdits(list, edits) {
  for (const [at, removed, ...items] of edits) list.splice(at, removed, ...items);
}
