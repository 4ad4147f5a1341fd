// @ts-check
/* The choice of a recording on the pages that show one. */
import { html, renderFact } from "./dom.mjs";

/** @typedef {import("./bus/answers.d.ts").ListedRecording} ListedRecording */

/**
 * Offers recordings; one that is wanted is offered although it is not there, so that the page can say so.
 * @param {HTMLSelectElement} select
 * @param {ListedRecording[]} recordings
 * @param {string} [wanted]
 */
export function offerRecordings(select, recordings, wanted = "") {
  const isMissing = wanted && !recordings.some(({ path }) => path === wanted);
  const missing = isMissing ? [{ path: wanted, name: wanted, live: false, begun: "not there" }] : [];
  renderFact(select, [recordings, wanted], () =>
    [...recordings, ...missing].map(({ path, name, live, begun }) => {
      const option = html("option", "", `${name}, ${live ? "still recording" : begun}`);
      option.value = path;
      return option;
    }),
  );
}

/**
 * The recording that a page opens by itself: the one that is being recorded, else the newest; empty for none.
 * @param {ListedRecording[]} recordings
 */
export function firstRecording(recordings) {
  return (recordings.find(({ live }) => live) || recordings[0])?.path || "";
}
