// @ts-check
/* One way of asking the server: an address with its query, JSON there and back, one kind of fault. A request of a
   page that has ended is never answered, so nobody has to ask whether the page is still there. */
import { readerZone } from "./format.mjs";

/** @typedef {Record<string, string | number | boolean | null | undefined | string[]>} Params */

/** What went wrong with a request: `lost` when no server answered, else what the server says. */
export class RequestError extends Error {
  /** @param {string} message @param {{lost?: boolean, answer?: any}} [more] */
  constructor(message, { lost = false, answer = {} } = {}) {
    super(message);
    this.lost = lost;
    this.answer = answer;
  }
}

/**
 * An address with its query; what is undefined, null or empty is left out.
 * @param {string} path
 * @param {Params} params
 */
export function addressOf(path, params = {}) {
  const query = new URLSearchParams();
  for (const [key, value] of Object.entries(params))
    if (Array.isArray(value)) for (const one of value) query.append(key, one);
    else if (value !== undefined && value !== null && value !== "") query.set(key, String(value));
  const text = query.toString();
  return text ? path + "?" + text : path;
}

/**
 * @param {string} address
 * @param {RequestInit} how
 * @returns {Promise<any>}
 */
export async function request(address, how) {
  let answer;
  try {
    const response = await fetch(address, { cache: "no-store", ...how });
    answer = await response.json().catch(() => ({
      fault: response.ok ? "There is no recording of that name." : `The server answered ${response.status}.`,
    }));
    if (!response.ok && !answer.fault) answer.fault = `The server answered ${response.status}.`;
  } catch {
    if (how.signal?.aborted) return new Promise(() => {});
    throw new RequestError("The server cannot be reached.", { lost: true });
  }
  if (how.signal?.aborted) return new Promise(() => {});
  if (answer.fault) throw new RequestError(answer.fault, { answer });
  return answer;
}

/** @param {string} path @param {Params} params @param {AbortSignal} [signal] */
export function get(path, params, signal) {
  return request(addressOf(path, params), { signal });
}

/** @param {string} path @param {object} body @param {AbortSignal} [signal] @param {RequestInit} [how] */
export function post(path, body, signal, { headers = {}, ...how } = {}) {
  const json = { "content-type": "application/json", ...headers };
  return request(path, { method: "POST", headers: json, body: JSON.stringify(body), signal, ...how });
}

/** Where the reader is: times of day are told in this zone. */
export function readerPlace() {
  return { zone: readerZone() };
}

/** @param {string} name @param {string} part */
export function recordingPath(name, part) {
  return `/api/recordings/${encodeURIComponent(name)}/${part}`;
}
