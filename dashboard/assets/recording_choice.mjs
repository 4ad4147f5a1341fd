// @ts-check
/* The choice of a recording on the pages that show one. */
import { fetchBusRecordings } from "./api.mjs";
import { emptyPage, html, renderFact } from "./dom.mjs";

/** @typedef {import("./bus/answers.d.ts").ListedRecording} ListedRecording */

/**
 * A page that shows one recording; `name`: which, empty for the first of the list.
 * @typedef {import("./page.mjs").Page & Listing} ListingPage
 * @typedef {{name: string, select: HTMLSelectElement, part: (name: string) => HTMLElement}} Listing
 */

/** How long a list that could not be had, or that is empty, is waited for. */
const LIST_AGAIN_MS = 3000;

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

/**
 * The list of recordings of a page that shows one of them: asked for again after a fault, and while it is empty.
 */
export class RecordingList {
  /**
   * @param {ListingPage} page
   * @param {object} does
   * @param {[string, string][]} does.empty what to do where there are none, and the command for it
   * @param {() => void} does.answered the server answered, whatever it had
   * @param {() => void} does.chosen the page's name is that of a recording to show
   * @param {(fault: any) => void} does.failed
   */
  constructor(page, does) {
    this.page = page;
    this.does = does;
  }

  async refresh() {
    const { page, does } = this;
    try {
      const { recordings, folder } = await fetchBusRecordings(page.signal);
      does.answered();
      page.name ||= firstRecording(recordings);
      offerRecordings(page.select, recordings, page.name);
      page.part("empty").hidden = Boolean(page.name);
      if (page.name) {
        page.select.value = page.name;
        does.chosen();
        return;
      }
      page.part("opened").hidden = true;
      page.root.dataset.state = "empty";
      const lede = `There are no recordings in ${folder} yet.`;
      renderFact(page.part("empty"), folder, () => emptyPage(lede, does.empty));
    } catch (fault) {
      does.failed(fault);
    }
    page.after("list", LIST_AGAIN_MS, () => this.refresh());
  }
}

/**
 * The list of a page that says faults itself and asks for what it shows.
 * @param {ListingPage & {fetch: () => void, renderFault: (fault: any) => void}} page
 * @param {[string, string][]} empty what to do where there are none, and the command for it
 */
export function listFor(page, empty) {
  return new RecordingList(page, {
    empty,
    answered: () => page.part("lost").replaceChildren(),
    chosen: () => {
      page.part("opened").hidden = false;
      page.fetch();
    },
    failed: (fault) => page.renderFault(fault),
  });
}
