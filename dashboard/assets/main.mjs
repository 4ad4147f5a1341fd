// @ts-check
/* What the index of the pages loads: starts what all pages share, and gives each page its element. Dash puts
   one page at a time into #page; its element is watched, and nothing below it. */
import { BusPage } from "./bus/page.mjs";
import { CampaignPage } from "./campaign/page.mjs";
import { HeatPage } from "./heat/page.mjs";
import { startKeys } from "./keys.mjs";
import { LayoutPage } from "./layout/page.mjs";
import { LimitsPage } from "./limits/page.mjs";
import { LivePage } from "./live/page.mjs";
import { keepOpened } from "./opened.mjs";
import { MeasurePage } from "./measure/page.mjs";
import { ReplayPage } from "./replay/page.mjs";
import { startSession } from "./session.mjs";
import { DataSheetPage } from "./sheet/page.mjs";
import { startUnits } from "./units.mjs";

/** The page of each element that Dash may put there, by its id. */
const PAGES = {
  live: LivePage,
  replay: ReplayPage,
  judge: LimitsPage,
  heat: HeatPage,
  measure: MeasurePage,
  foundlayout: LayoutPage,
  campaign: CampaignPage,
  heard: BusPage,
  datasheet: DataSheetPage,
};

/** What is shown now, for whoever wants to look into it. @type {{page: import("./page.mjs").Page | null}} */
export const shown = { page: null };

/* What base.css lets a page be clicked by: a click that comes before the page listens would be lost in silence. */
const MOUNTED = "data-mounted";

let mountedId = "";

/** @param {Element | null} root the element of a page, if it is one */
function mountPage(root) {
  const id = root?.id || "";
  if (shown.page && shown.page.root === root && mountedId === id) return;
  shown.page?.end();
  shown.page?.root.removeAttribute(MOUNTED);
  shown.page = null;
  mountedId = id;
  const kind = PAGES[/** @type {keyof typeof PAGES} */ (id)];
  if (!kind || !root) return;
  shown.page = new kind(/** @type {HTMLElement} */ (root));
  root.setAttribute(MOUNTED, "");
}

/** @param {Element} place #page, whose one child is the page */
function watchPlace(place) {
  const names = new MutationObserver(() => mountPage(place.firstElementChild));
  const look = () => {
    const root = place.firstElementChild;
    /* An element may be kept and get another page's id. */
    names.disconnect();
    if (root) names.observe(root, { attributes: true, attributeFilter: ["id"] });
    mountPage(root);
  };
  new MutationObserver(look).observe(place, { childList: true });
  look();
}

/** On a narrow screen the pages' names scroll: keeps the open one in sight. */
function watchNames() {
  const names = document.getElementById("pages-nav");
  if (!names) return;
  const look = () => {
    const here = names.querySelector(".here");
    if (here instanceof HTMLElement) names.scrollLeft = here.offsetLeft + here.offsetWidth - names.clientWidth;
  };
  new MutationObserver(look).observe(names, { childList: true, subtree: true, attributeFilter: ["class"] });
  look();
}

/** Waits for Dash to have made the frame around the pages. */
function start() {
  const find = () => document.getElementById("page");
  const begin = (/** @type {Element} */ place) => {
    watchPlace(place);
    watchNames();
    startSession();
  };
  const place = find();
  if (place) {
    begin(place);
    return;
  }
  const waiting = new MutationObserver(() => {
    const made = find();
    if (!made) return;
    waiting.disconnect();
    begin(made);
  });
  waiting.observe(document.body, { childList: true, subtree: true });
}

startKeys();
startUnits();
keepOpened();
start();
