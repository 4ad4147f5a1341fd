// @ts-check
/* The limits as they stand on the page, the recordings that they are tried on, and what a bad end is: what a
   question to the server is made of. Kept in this browser's tab until it is closed. */

const KEPT = "dutytrace-limits";

/** A limit as a table of its file. @typedef {Record<string, any>} LimitTable */
/** @typedef {{way: string, channel: string, level: number | null, for_s: number | null, joint: string,
 *   within_s: number | null, least_lead_s: number | null, note: string, length_s: number | null}} BadEndDraft */

/** What has a value. @param {Record<string, any>} table */
function withoutEmpty(table) {
  const filled = Object.entries(table).filter(([, v]) => v !== null && v !== undefined && v !== "");
  return Object.fromEntries(filled);
}

/** A number as a person would write it. @param {number} value */
function tidyNumber(value) {
  return Number(value.toPrecision(7));
}

/** The draft; `dropOffs` says which key is the drop-off of which level. */
export class LimitsDraft {
  constructor() {
    this.base = "format = 1\n";
    /** @type {LimitTable[]} */
    this.tables = [];
    /** The form of each table. @type {string[]} */
    this.formKeys = [];
    /** Which limit is open, -1 for none. */
    this.chosen = -1;
    /** The recordings that they are tried on. @type {string[]} */
    this.paths = [];
    /** @type {BadEndDraft} */
    this.bad = {
      ...{ way: "above", channel: "temperature_housing_degC", level: 80, for_s: 0, joint: "" },
      ...{ within_s: 3600, least_lead_s: null, note: "", length_s: 60 },
    };
    /** @type {Record<string, string>} */
    this.dropOffs = {};
    /** The last number that stood at a key of a limit. @type {Map<string, number>} */
    this.previous = new Map();
  }

  /** The limit that is open. @returns {LimitTable | undefined} */
  get table() {
    return this.tables[this.chosen];
  }

  /** Takes over limits that were read. @param {{base: string, tables: LimitTable[], forms: string[]}} read */
  replace({ base, tables, forms }) {
    Object.assign(this, { base, tables, formKeys: forms, chosen: tables.length ? 0 : -1 });
  }

  /**
   * The highest trip on a temperature is what a warning should have told of before.
   * @param {Set<string>} channels that are measured
   */
  guessBadEnd(channels) {
    const trips = this.tables.filter(({ severity, above, channel }) => {
      return severity === "trip" && above !== undefined && String(channel).startsWith("temperature");
    });
    if (trips.length) {
      const { channel, above } = trips.reduce((a, b) => (b.above > a.above ? b : a));
      Object.assign(this.bad, { way: "above", channel, level: above, joint: "" });
    } else if (!channels.has(this.bad.channel)) this.bad.way = "none"; /* none of them measures it */
  }

  /** @param {number} i @param {LimitTable} table */
  replaceTable(i, table) {
    this.tables = this.tables.map((one, k) => (k === i ? table : one));
  }

  /**
   * Sets a key of a limit; empty takes it out.
   * @param {number} i
   * @param {string} key
   * @param {any} value
   * @returns {boolean} whether its drop-off went along
   */
  setValue(i, key, value) {
    const table = { ...this.tables[i] };
    const name = table.name + " " + key;
    if (typeof table[key] === "number") this.previous.set(name, table[key]);
    if (value === null || value === undefined || value === "") delete table[key];
    else table[key] = value;
    /* Over an empty box too: from the last number that stood there. */
    const follows = this.moveDropOff(table, key, this.previous.get(name), value);
    this.replaceTable(i, table);
    return follows;
  }

  /**
   * Moves a level of the open limit to where it was dragged.
   * @param {{key: string, place: number | null, off: boolean}} handle
   * @param {number} value
   */
  moveLevel({ key, place, off }, value) {
    const table = { ...this.tables[this.chosen] };
    const before = place === null ? table[key] : (table[key] || [])[place];
    if (place === null) table[key] = tidyNumber(value);
    else {
      table[key] = table[key].slice();
      table[key][place] = tidyNumber(value);
    }
    if (!off) this.moveDropOff(table, key, before, value);
    this.replaceTable(this.chosen, table);
  }

  /**
   * The drop-off of a level that is moved keeps its distance.
   * @param {LimitTable} table
   * @param {string} key
   * @param {any} before
   * @param {any} now
   */
  moveDropOff(table, key, before, now) {
    const off = this.dropOffs[key];
    if (!off || table.kind === "inverse-time") return false;
    if (![table[off], before, now].every((value) => typeof value === "number")) return false;
    table[off] = tidyNumber(table[off] + now - before);
    return true;
  }

  /** Adds a limit of a form and opens it. @param {any} form @param {string[]} channels that are measured */
  add(form, channels) {
    const names = new Set(this.tables.map((table) => table.name));
    let name = form.form;
    for (let n = 2; names.has(name); n++) name = `${form.form}-${n}`;
    /** @type {LimitTable} */
    const table = { name, kind: form.kind, severity: "warning", ...form.blank };
    if (table.channel && channels.length && !channels.includes(table.channel)) table.channel = channels[0];
    this.tables = [...this.tables, table];
    this.formKeys = [...this.formKeys, form.form];
    this.chosen = this.tables.length - 1;
  }

  /**
   * Adds limits as tables and opens the first of them; one of the same name is replaced.
   * @param {LimitTable[]} tables of forms that are named as their kinds
   */
  addTables(tables) {
    const names = new Set(tables.map(({ name }) => name));
    const kept = this.tables.map((_, i) => i).filter((i) => !names.has(this.tables[i].name));
    this.formKeys = [...kept.map((i) => this.formKeys[i]), ...tables.map(({ kind }) => kind)];
    this.tables = [...kept.map((i) => this.tables[i]), ...tables];
    this.chosen = kept.length;
  }

  /** @param {number} i */
  remove(i) {
    this.tables = this.tables.filter((_, k) => k !== i);
    this.formKeys = this.formKeys.filter((_, k) => k !== i);
    this.chosen = Math.min(i, this.tables.length - 1);
  }

  /** The bad end as the server takes it, null for none. */
  badEnd() {
    const { way, note, length_s, channel, level, for_s, joint, within_s, least_lead_s } = this.bad;
    const around = { within_s, least_lead_s };
    if (way === "none") return null;
    if (way === "note") return withoutEmpty({ note, length_s, ...around });
    return withoutEmpty({ channel, [way]: level, for_s, joint, ...around });
  }

  /** What the server is asked about. */
  question() {
    const { base, tables, paths } = this;
    const chosen = String(this.table?.name || "");
    return { recordings: paths, base, tables, bad_end: this.badEnd(), chosen };
  }

  /** By what it is seen that two questions are the same. */
  stateKey() {
    return JSON.stringify([this.tables, this.paths, this.badEnd()]);
  }

  /** Keeps the draft in this tab. */
  save() {
    const { base, tables, formKeys, chosen, bad, paths } = this;
    try {
      sessionStorage.setItem(KEPT, JSON.stringify({ base, tables, forms: formKeys, chosen, bad, paths }));
    } catch {
      /* A full or forbidden storage only forgets. */
    }
  }

  /**
   * Takes up what this tab kept.
   * @param {Set<string>} known the recordings that there are
   * @returns {boolean} whether there was a draft
   */
  restore(known) {
    let kept = null;
    try {
      kept = JSON.parse(sessionStorage.getItem(KEPT) || "null");
    } catch {
      /* What nobody wrote is no draft. */
    }
    if (!kept?.tables || !kept.forms) return false;
    Object.assign(this, { base: kept.base, tables: kept.tables, formKeys: kept.forms, chosen: kept.chosen });
    Object.assign(this.bad, kept.bad);
    this.paths = (kept.paths || []).filter((/** @type {string} */ path) => known.has(path));
    return true;
  }
}
