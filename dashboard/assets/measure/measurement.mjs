// @ts-check
/* A measurement as it stands on the page: what was chosen, typed and marked. It goes into the address and to the
   server as texts, several of a kind with a semicolon between them. */

/** @typedef {import("./answers.d.ts").Kind} Kind */
/** @typedef {{name: string, begin_s: number, end_s: number | null}} MarkedSpan */

const ACKNOWLEDGED = "dutytrace-cautions-read-";

/** @param {string} text */
function items(text) {
  return text
    .split(";")
    .map((one) => one.trim())
    .filter(Boolean);
}

/** @param {string} text @returns {Map<string, string>} */
function pairs(text) {
  return new Map(
    items(text).map((one) => {
      const at = one.indexOf("=");
      return [one.slice(0, at), one.slice(at + 1)];
    }),
  );
}

/** @param {Map<string, string>} map */
function joined(map) {
  return [...map].map(([name, value]) => `${name}=${value}`).join(";");
}

/** @param {string} text @returns {MarkedSpan | null} */
function spanOf(text) {
  const match = /^([a-z][a-z0-9_-]*)=([0-9.]+)\.\.([0-9.]*)$/.exec(text);
  if (!match) return null;
  return { name: match[1], begin_s: Number(match[2]), end_s: match[3] ? Number(match[3]) : null };
}

/** What was chosen, typed and marked. */
export class Measurement {
  kind = "";
  way = "";
  joint = "";
  /** NAME=VALUE, as it was typed. @type {string[]} */
  readings = [];
  /** Name of a reading: what its instrument is read to. @type {Map<string, string>} */
  divisions = new Map();
  /** Name of a reading: the channel that it is taken from. @type {Map<string, string>} */
  channels = new Map();
  /** @type {MarkedSpan[]} */
  spans = [];

  /** @param {string} search of an address @param {Kind[]} kinds */
  static fromQuery(search, kinds) {
    const query = new URLSearchParams(search);
    const text = (/** @type {string} */ key) => query.get(key) || "";
    const one = new Measurement();
    one.kind = kinds.some(({ name }) => name === text("kind")) ? text("kind") : "";
    one.way = text("way");
    one.joint = text("joint");
    one.readings = items(text("readings"));
    one.divisions = pairs(text("divisions"));
    one.channels = pairs(text("channels"));
    one.spans = items(text("spans"))
      .map(spanOf)
      .filter((span) => span !== null);
    return one;
  }

  /** As the address and the server have it. */
  query() {
    const spans = this.spans.map(({ name, begin_s, end_s }) => `${name}=${begin_s}..${end_s ?? ""}`);
    return {
      kind: this.kind,
      way: this.way,
      joint: this.joint,
      readings: this.readings.join(";"),
      divisions: joined(this.divisions),
      channels: joined(this.channels),
      spans: spans.join(";"),
    };
  }

  /** Forgets what was typed and marked; what instruments are read to stays. */
  clear() {
    this.readings = [];
    this.spans = [];
  }

  /** The span that is open, if one is. */
  get open() {
    return this.spans.find(({ end_s }) => end_s === null);
  }

  /** Whether this browser has acknowledged the cautions of this kind. */
  get isAcknowledged() {
    return sessionStorage.getItem(ACKNOWLEDGED + this.kind) === "yes";
  }

  acknowledge() {
    sessionStorage.setItem(ACKNOWLEDGED + this.kind, "yes");
  }
}
