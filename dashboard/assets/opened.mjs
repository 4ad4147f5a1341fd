// @ts-check
/* The recording that is looked at on one page is looked at on the next as well. */

const HANDED_OVER = "dutytrace-opened";
const PAGES = ["bus", "heat", "measure", "campaign", "layout"].map((page) => `nav a[href="/${page}"]`).join(", ");

/**
 * The recording that the address of a page names behind the page's own name; empty for none.
 * @param {string} page its name, or several with | between them
 */
export function recordingInAddress(page) {
  const match = new RegExp(`^/(?:${page})/([^/]+)$`).exec(location.pathname);
  return match ? decodeURIComponent(match[1]) : "";
}

/** Keeps which recording the address shows when one of the pages is chosen that can show it as well. */
export function keepOpened() {
  const keep = (/** @type {Event} */ event) => {
    const link = /** @type {Element} */ (event.target).closest?.(PAGES);
    const name = recordingInAddress("replay|heat|measure|campaign|layout|bus");
    if (link && name) sessionStorage.setItem(HANDED_OVER, name);
  };
  document.addEventListener("click", keep, { capture: true });
}

/** The recording that was handed over, once; empty for none. */
export function takeOpened() {
  const kept = sessionStorage.getItem(HANDED_OVER) || "";
  sessionStorage.removeItem(HANDED_OVER);
  return kept;
}
