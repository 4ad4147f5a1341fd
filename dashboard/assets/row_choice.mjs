// @ts-check
/* Which rows a figure has, in words, and a list of check boxes that opens in place to change them. What there is
   to choose from comes with each figure (`layout.meta.offers`, figures/row_choice.py); a choice is a text for
   address and server: quantities and channels with commas between, empty for the usual rows. */
import { byId, html, renderFact, setText } from "./dom.mjs";

/**
 * @typedef {{key: string, label: string, shown: boolean}} Place
 * @typedef {Place & {places: Place[]}} Offer a quantity; with the places of one that has several
 */

/** The rows that are shown, in words. @param {Offer[]} offers */
export function rowWords(offers) {
  const named = offers.flatMap(({ label, shown, places }) => {
    const some = places.filter((place) => place.shown).map((place) => place.label);
    if (shown || (some.length === 1 && some[0] === label)) return [label];
    return some.length ? [`${label} (${some.join(", ")})`] : [];
  });
  return named.join(", ");
}

/** The choice of what is checked: a quantity stands for all its places. @param {Offer[]} offers */
export function choiceOf(offers) {
  const items = offers.flatMap(({ key, shown, places }) => {
    if (!places.length) return shown ? [key] : [];
    const some = places.filter((place) => place.shown).map((place) => place.key);
    return some.length === places.length ? [key] : some;
  });
  return items.join(",");
}

/**
 * The offers after a box was checked or cleared: that of a quantity is that of all its places.
 * @param {Offer[]} offers
 * @param {string} key of a quantity or a place
 * @param {boolean} shown
 * @returns {Offer[]}
 */
export function withChange(offers, key, shown) {
  return offers.map((offer) => {
    const isWhole = offer.key === key;
    const places = offer.places.map((place) => (isWhole || place.key === key ? { ...place, shown } : place));
    const isShown = places.length ? places.every((place) => place.shown) : isWhole ? shown : offer.shown;
    return { ...offer, places, shown: isShown };
  });
}

/** The line that says which rows are shown, and the list below it. */
export class RowChoice {
  /**
   * @param {string} page the beginning of the parts' ids
   * @param {() => void} onChoice
   * @param {string} [kept] under which name the browser keeps the choice; empty: it does not
   */
  constructor(page, onChoice, kept = "") {
    this.line = byId(page + "-rows-line");
    this.words = byId(page + "-rows-words");
    this.toggle = byId(page + "-rows-change");
    this.list = byId(page + "-rows-list");
    this.boxes = byId(page + "-rows-boxes");
    this.usual = byId(page + "-rows-usual");
    this.onChoice = onChoice;
    this.kept = kept;
    /** What was chosen, empty for the usual rows. */
    this.text = (kept && localStorage.getItem(kept)) || "";
    /** The choice whose figure has not come yet. @type {string | null} */
    this.awaited = null;
    /** @type {Offer[]} */
    this.offers = [];
    this.toggle.onclick = () => this.open(this.list.hidden);
    this.usual.onclick = () => this.choose("");
    this.boxes.onchange = (event) => this.change(/** @type {HTMLInputElement} */ (event.target));
    this.list.onkeydown = (event) => {
      if (event.key !== "Escape") return;
      this.open(false);
      this.toggle.focus();
    };
  }

  /** @param {boolean} isOpen */
  open(isOpen) {
    this.list.hidden = !isOpen;
    this.toggle.setAttribute("aria-expanded", String(isOpen));
    setText(this.toggle, isOpen ? "done" : "change");
    if (isOpen) this.boxes.querySelector("input")?.focus();
  }

  /** @param {HTMLInputElement} box */
  change(box) {
    this.render(withChange(this.offers, box.value, box.checked));
    this.choose(choiceOf(this.offers));
  }

  /** Takes a choice that the address holds. @param {string} text */
  take(text) {
    this.text = text;
    this.awaited = null;
  }

  /** @param {string} text */
  choose(text) {
    this.text = this.awaited = text;
    if (this.kept) localStorage.setItem(this.kept, text);
    this.onChoice();
  }

  /**
   * Shows what a figure offers. That of a figure which was asked for before the last choice takes nothing back.
   * @param {Offer[]} offers
   * @param {string} chosen the choice that the figure was made by
   */
  renderOffers(offers, chosen) {
    if (this.awaited !== null && chosen !== this.awaited) return;
    this.awaited = null;
    this.render(offers);
  }

  /** @param {Offer[]} offers */
  render(offers) {
    this.offers = offers;
    this.line.hidden = !offers.length;
    setText(this.words, "Rows: " + (rowWords(offers) || "the usual ones"));
    const shape = offers.map((offer) => [offer.key, offer.places.map((place) => place.key)]);
    renderFact(this.boxes, shape, () => offers.map((offer) => this.makeOffer(offer)));
    /** @type {Map<string, [boolean, boolean]>} */
    const states = new Map();
    for (const { key, shown, places } of offers) {
      states.set(key, [shown, !shown && places.some((place) => place.shown)]);
      for (const place of places) states.set(place.key, [place.shown, false]);
    }
    for (const box of this.boxes.querySelectorAll("input"))
      [box.checked, box.indeterminate] = states.get(box.value) || [false, false];
  }

  /** @param {Offer} offer */
  makeOffer(offer) {
    const places = offer.places.map((place) => this.makeBox(place, `${offer.label}, ${place.label}`));
    const group = places.length ? [html("span", "places", places)] : [];
    return html("li", "", [this.makeBox(offer, ""), ...group]);
  }

  /** @param {Place} place @param {string} name what it is called where it is read alone; empty: its label */
  makeBox({ key, label }, name) {
    const box = html("input");
    box.type = "checkbox";
    box.value = key;
    if (name) box.setAttribute("aria-label", name);
    return html("label", "", [box, " " + label]);
  }
}
