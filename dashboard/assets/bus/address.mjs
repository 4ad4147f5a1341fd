// @ts-check
/* The view of the Bus page as an address holds it, so that it can be sent to a colleague. */
import { addressOf } from "../request.mjs";
import { clamp } from "../dom.mjs";
import { toMilli } from "../page.mjs";

/** How much of the newest is followed, unless it is said. */
export const NEWEST_S = 10;
const NEWEST_MAX_S = 600;

/**
 * Which bus (empty: the first), which window (null: the whole recording), which span (null: the newest).
 * @typedef {{bus: string, view: [number, number] | null, span: [number, number] | null, newest: number}} BusView
 */

/** @param {string} search the query of an address @returns {BusView} */
export function busViewOf(search) {
  const query = new URLSearchParams(search);
  const number = (/** @type {string} */ key) => {
    const text = query.get(key);
    return text && Number.isFinite(Number(text)) ? Number(text) : null;
  };
  const pair = (/** @type {string} */ first, /** @type {string} */ second) => {
    const [a, b] = [number(first), number(second)];
    return a !== null && b !== null && b > a ? /** @type {[number, number]} */ ([a, b]) : null;
  };
  const newest = clamp(number("newest") || NEWEST_S, 1, NEWEST_MAX_S);
  return { bus: query.get("bus") || "", view: pair("from", "to"), span: pair("span0", "span1"), newest };
}

/** @param {string} name of the recording @param {BusView} view */
export function busAddress(name, { bus, view, span, newest }) {
  return addressOf("/bus/" + encodeURIComponent(name), {
    bus,
    from: view ? toMilli(view[0]) : null,
    to: view ? toMilli(view[1]) : null,
    span0: span ? toMilli(span[0]) : null,
    span1: span ? toMilli(span[1]) : null,
    newest: !span && newest !== NEWEST_S ? toMilli(newest) : null,
  });
}
