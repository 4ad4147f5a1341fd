// @ts-check
/* The server as the pages see it: one function a route. */
import { addressOf, get, post, readerPlace, recordingPath, request } from "./request.mjs";
import { chosenUnits } from "./units.mjs";

/** @typedef {import("./request.mjs").Params} Params */

/** Whether this browser's session still stands. */
export function fetchSession() {
  return get("/session", {});
}

/* ---- writing into a recording ---- */

/** A note, an acknowledgement or a shelving. @param {object} what @param {AbortSignal} signal */
export function sendRequest(what, signal) {
  return post("/api/requests", what, signal);
}

/** Cuts a span out as a recording of its own. @param {{recording: string, start_s: number, end_s: number}} span */
export function cutOut(span) {
  return post("/api/cut", span);
}

/* ---- Replay ---- */

/**
 * All recordings.
 * @param {AbortSignal} signal
 * @returns {Promise<import("./replay/answers.d.ts").Catalogue>}
 */
export function fetchRecordings(signal) {
  return get("/api/recordings", readerPlace(), signal);
}

/**
 * What is shown of a recording whatever its window.
 * @param {string} name
 * @param {Params} view
 * @param {AbortSignal} signal
 * @returns {Promise<import("./replay/answers.d.ts").Overview>}
 */
export function fetchOpened(name, view, signal) {
  return get(recordingPath(name, "overview"), { ...readerPlace(), ...chosenUnits(), ...view }, signal);
}

/** The figure of a window. @param {string} name @param {Params} view @param {AbortSignal} signal */
export function fetchRows(name, view, signal) {
  return get(recordingPath(name, "window"), { ...readerPlace(), ...chosenUnits(), ...view }, signal);
}

/**
 * What led up to some excursions.
 * @param {string} name
 * @param {Params} which
 * @param {AbortSignal} signal
 * @returns {Promise<{details: import("./replay/answers.d.ts").ExcursionDetail[]}>}
 */
export function fetchLeadUps(name, which, signal) {
  return get(recordingPath(name, "excursions"), { ...chosenUnits(), ...which }, signal);
}

/**
 * A span's statistics.
 * @param {string} name
 * @param {Params} span
 * @param {AbortSignal} signal
 * @returns {Promise<import("./replay/answers.d.ts").SpanTable>}
 */
export function fetchSpan(name, span, signal) {
  return get(recordingPath(name, "span"), { ...chosenUnits(), ...span }, signal);
}

/**
 * How a second recording can lie over the first.
 * @param {string} name
 * @param {string} over
 * @param {AbortSignal} signal
 * @returns {Promise<import("./replay/answers.d.ts").Alignment>}
 */
export function fetchOverlay(name, over, signal) {
  return get(recordingPath(name, "alignment"), { ...chosenUnits(), over }, signal);
}

/** Where a recording can be had as one file. @param {string} name */
export function packedAddress(name) {
  return recordingPath(name, "archive");
}

/* ---- Bus ---- */

/**
 * All recordings of the folder, for the Bus page.
 * @param {AbortSignal} signal
 * @returns {Promise<import("./bus/answers.d.ts").RecordingList>}
 */
export function fetchBusRecordings(signal) {
  return get("/api/bus/recordings", readerPlace(), signal);
}

/**
 * A recording's buses, and who sent in a span of it.
 * @param {string} name
 * @param {Params} view
 * @param {AbortSignal} signal
 * @returns {Promise<import("./bus/answers.d.ts").BusAnswer>}
 */
export function fetchBusView(name, view, signal) {
  return get(recordingPath(name, "bus"), { ...readerPlace(), ...view }, signal);
}

/* ---- Heat ---- */

/**
 * A joint of a recording, fitted.
 * @param {string} name
 * @param {Params} view
 * @param {string} page which page asks: a newer question of it replaces an older one
 * @param {AbortSignal} signal
 * @returns {Promise<import("./heat/answers.d.ts").HeatAnswer>}
 */
export function fetchHeat(name, view, page, signal) {
  const address = addressOf(recordingPath(name, "heat"), { ...readerPlace(), ...view });
  return request(address, { signal, headers: { "x-page": page } });
}

/**
 * The recordings that may be fitted together with one.
 * @param {string} name
 * @param {string} joint
 * @param {AbortSignal} signal
 * @returns {Promise<{others: import("./heat/answers.d.ts").Other[]}>}
 */
export function fetchHeatOthers(name, joint, signal) {
  return get(recordingPath(name, "heat/others"), { ...readerPlace(), joint }, signal);
}

/**
 * The load of a joint as it was.
 * @param {string} name
 * @param {Params} view
 * @param {string} page which page asks
 * @param {AbortSignal} signal
 * @returns {Promise<import("./heat/answers.d.ts").DutyAnswer>}
 */
export function fetchDuty(name, view, page, signal) {
  const address = addressOf(recordingPath(name, "duty"), { ...readerPlace(), ...chosenUnits(), ...view });
  return request(address, { signal, headers: { "x-page": page } });
}

/**
 * Limits that protect a fitted joint; they are not put into force by that.
 * @param {string} name
 * @param {Params} view
 * @param {string} page which page asks
 * @param {AbortSignal} signal
 * @returns {Promise<import("./heat/answers.d.ts").LimitsFromModel>}
 */
export function fetchLimitsFromModel(name, view, page, signal) {
  const address = addressOf(recordingPath(name, "heat/limits"), { ...readerPlace(), ...view });
  return request(address, { signal, headers: { "x-page": page } });
}

/**
 * What a fitted joint does under a planned motion.
 * @param {object} question
 * @param {string} page which page asks
 * @param {AbortSignal} signal
 * @returns {Promise<import("./heat/answers.d.ts").MotionAnswer>}
 */
export function fetchMotion(question, page, signal) {
  return post("/api/heat/motion", { ...readerPlace(), ...question }, signal, { headers: { "x-page": page } });
}

/* ---- Measure ---- */

/**
 * The kinds of measurement: cautions, steps, what is typed.
 * @param {AbortSignal} signal
 * @returns {Promise<import("./measure/answers.d.ts").Kinds>}
 */
export function fetchMeasureKinds(signal) {
  return get("/api/measure", {}, signal);
}

/**
 * A measurement as it stands on a recording.
 * @param {string} name
 * @param {Params} view
 * @param {AbortSignal} signal
 * @returns {Promise<import("./measure/answers.d.ts").MeasureAnswer>}
 */
export function fetchMeasured(name, view, signal) {
  return get(measurePath(name), { ...readerPlace(), ...chosenUnits(), ...view }, signal);
}

/** @param {string} name */
function measurePath(name) {
  return "/api/measure/" + encodeURIComponent(name);
}

/**
 * The newest instant of a recording.
 * @param {string} name
 * @param {AbortSignal} signal
 * @returns {Promise<{now_s: number}>}
 */
export function fetchNow(name, signal) {
  return get(measurePath(name) + "/now", {}, signal);
}

/**
 * What there is to measure of each joint, and what its recording answers already.
 * @param {string} name
 * @param {AbortSignal} signal
 * @returns {Promise<import("./measure/answers.d.ts").Programme>}
 */
export function fetchProgramme(name, signal) {
  return get(measurePath(name) + "/programme", {}, signal);
}

/**
 * Why a reading that was typed is refused; empty for a good one.
 * @param {Params} typed kind, reading and division
 * @param {AbortSignal} signal
 * @returns {Promise<{refused: string}>}
 */
export function checkReading(typed, signal) {
  return get("/api/measure/reading/check", typed, signal);
}

/**
 * Keeps a result as a finding of its recording.
 * @param {string} name
 * @param {object} measurement
 * @param {AbortSignal} signal
 * @returns {Promise<{kept: string}>}
 */
export function keepMeasured(name, measurement, signal) {
  return post(measurePath(name) + "/keep", measurement, signal);
}

/* ---- Data sheet ---- */

/**
 * The specimens of the folder, one of them held against its claims, and others beside it.
 * @param {Params} view joint, and those beside it as `other`
 * @param {AbortSignal} [signal]
 * @returns {Promise<import("./sheet/answers.d.ts").SheetAnswer>}
 */
export function fetchDataSheet(view, signal) {
  return get("/api/sheet", { ...readerPlace(), ...view }, signal);
}

/* ---- Campaign ---- */

/**
 * The campaigns of the folder, and one of them.
 * @param {Params} view of, joint and also
 * @param {string} page which page asks: a newer question of it replaces an older one
 * @param {AbortSignal} signal
 * @returns {Promise<import("./campaign/answers.d.ts").CampaignAnswer>}
 */
export function fetchCampaign(view, page, signal) {
  const address = addressOf("/api/campaign", { ...readerPlace(), ...chosenUnits(), ...view });
  return request(address, { signal, headers: { "x-page": page } });
}

/* ---- Limits ---- */

/**
 * What the Limits page begins with: recordings and the forms of limits.
 * @param {AbortSignal} signal
 * @returns {Promise<import("./limits/answers.d.ts").Start>}
 */
export function fetchLimitsStart(signal) {
  return get("/api/limits", readerPlace(), signal);
}

/**
 * The limits of a recording; an example of every kind without one.
 * @param {string} recording
 * @param {AbortSignal} signal
 */
export function fetchLimitsOf(recording, signal) {
  return request("/api/limits/start?" + new URLSearchParams({ recording }), { signal });
}

/**
 * How far work has come.
 * @param {number} number
 * @param {AbortSignal} signal
 * @returns {Promise<import("./limits/answers.d.ts").Work>}
 */
export function fetchWork(number, signal) {
  return get(`/api/limits/jobs/${number}`, {}, signal);
}

/**
 * Any question of the Limits page.
 * @param {string} what the route: evaluate, exact, curve, sweep, file, parse or deploy
 * @param {object} question
 * @param {string} page which page asks: a newer question of it replaces an older one
 * @param {AbortSignal} [signal]
 */
export function askLimits(what, question, page, signal) {
  return post("/api/limits/" + what, question, signal, { headers: { "x-page": page } });
}

/** Ends work that nobody waits for any more, even from a page that is being left. @param {number} number */
export function stopWork(number) {
  return post("/api/limits/jobs/stop", { number }, undefined, { keepalive: true }).catch(() => {});
}

/* ---- Layout ---- */

/**
 * What the traffic of a recording proposes, or that it is being looked for.
 * @param {string} name
 * @param {Params} view
 * @param {string} page which open page asks
 * @param {AbortSignal} signal
 * @returns {Promise<import("./layout/answers.d.ts").LayoutAnswer>}
 */
export function fetchLayout(name, view, page, signal) {
  const address = addressOf("/api/layout/" + encodeURIComponent(name), {
    ...readerPlace(),
    ...chosenUnits(),
    ...view,
  });
  return request(address, { signal, headers: { "x-page": page } });
}

/**
 * The layout that a person's decisions make of a proposal.
 * @param {object} decided
 * @param {AbortSignal} signal
 * @returns {Promise<import("./layout/answers.d.ts").MadeLayout>}
 */
export function decideLayout(decided, signal) {
  return post("/api/layout/decide", decided, signal);
}
