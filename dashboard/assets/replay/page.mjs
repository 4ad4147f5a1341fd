// @ts-check
/* The Replay page: which recording is open, the window on it, the play-head and the dragged span. Its parts
   show them: list, strip, window, excursions, span, transport, a second recording, what is cut out. The
   address bar holds the view, so that it can be sent to a colleague. */
import { fetchOpened } from "../api.mjs";
import { addressOf } from "../request.mjs";
import { byId, clamp, setText } from "../dom.mjs";
import { recordingInAddress } from "../opened.mjs";
import { figureSize, Page, toMilli, windowWithin } from "../page.mjs";
import { purgePlot } from "../plotly.mjs";
import { UNITS_CHANGED } from "../units.mjs";
import { DrawnJoints } from "./drawn.mjs";
import { ExcursionList } from "./excursions.mjs";
import { CutAndPack } from "./export.mjs";
import { renderAttachments } from "./attachments.mjs";
import { FindingList } from "./findings.mjs";
import { pressKey } from "./keys.mjs";
import { copyLink } from "./link.mjs";
import { RecordingList } from "./list.mjs";
import { NoteList } from "./notes.mjs";
import { Overlay } from "./overlay.mjs";
import { SpanFigures } from "./spans.mjs";
import { WholeStrip } from "./strip.mjs";
import { Transport } from "./transport.mjs";
import { RowsWindow } from "./window.mjs";

/** @typedef {import("./answers.d.ts").Overview} Overview */

const LEAST_WINDOW_S = 0.2;
const LIST_AGAIN_MS = 5000;

/**
 * A view as an address holds it; what it does not say is null.
 * @typedef {{from: number | null, to: number | null, at: number | null, span: [number, number] | null,
 *   over: string, shift: number | null, over_joints: string, judged: string, joints: string,
 *   rows: string}} View
 */

/** @param {string} search the query of an address @returns {View} */
export function viewOf(search) {
  const query = new URLSearchParams(search);
  const number = (/** @type {string} */ key) => {
    const value = query.get(key);
    return value === null || !Number.isFinite(Number(value)) ? null : Number(value);
  };
  const [from, to] = [number("span0"), number("span1")];
  return {
    ...{ from: number("from"), to: number("to"), at: number("at"), shift: number("shift") },
    span: from !== null && to !== null && to > from ? [from, to] : null,
    over: query.get("over") || "",
    judged: query.get("judged") || "",
    over_joints: query.get("over_joints") || "",
    joints: query.get("joints") || "",
    rows: query.get("rows") || "",
  };
}

/** State and routing of Replay. */
export class ReplayPage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    /** The name of the recording that is open, empty for none. */
    this.name = "";
    /** How often a view was opened: the answer to an older one is not shown over the newest. */
    this.openings = 0;
    /** What the server says of it. @type {any} */
    this.opened = null;
    /** @type {[number, number] | null} */
    this.view = null;
    /** @type {[number, number] | null} */
    this.span = null;
    this.head = 0;
    /** A token of other limits than those that were in force, empty without. */
    this.judged = "";

    this.drawn = new DrawnJoints(this);
    this.overlay = new Overlay(this);
    this.list = new RecordingList(this);
    this.strip = new WholeStrip(this);
    this.window = new RowsWindow(this);
    this.spans = new SpanFigures(this);
    this.excursions = new ExcursionList(this);
    this.notes = new NoteList(this);
    this.findings = new FindingList(this);
    this.transport = new Transport(this);
    this.export = new CutAndPack(this);

    this.part("judged-off").onclick = () => this.showAsRecorded();
    this.part("link").onclick = () => copyLink(this.part("link"), this.address());
    this.listen(window, "popstate", () => this.route());
    this.listen(document, "keydown", (event) => pressKey(this, event));
    this.listen(window, UNITS_CHANGED, () => {
      this.refresh();
      this.overlay.fetch();
      if (this.span) this.spans.render();
    });
    this.onScreenChange(() => this.refresh());
    this.every(LIST_AGAIN_MS, () => {
      if (!document.hidden && !this.name) this.list.refresh();
    });
    this.list.refresh();
    this.route();
  }

  /** A part of the page by its name. @param {string} name */
  part(name) {
    return byId("past-" + name);
  }

  end() {
    super.end();
    [this.window.plot, this.strip.plot].forEach((plot) => purgePlot(plot));
  }

  /** What every question says: by which limits, which joints, and in which rows. */
  get which() {
    return { judged: this.judged, joints: this.drawn.param, rows: this.window.rowChoice.text };
  }

  /* ---- opening ---- */

  /** Shows what the address says. */
  route() {
    const name = recordingInAddress("replay");
    if (name) this.openView(name, viewOf(location.search));
    else this.close();
  }

  close() {
    this.openings += 1;
    this.name = "";
    this.opened = null;
    this.transport.isPlaying = false;
    this.part("opened").hidden = true;
    this.list.refresh();
  }

  /** Opens a recording that was chosen on the page. @param {string} name */
  async open(name) {
    const isShown = await this.openView(name, viewOf(""));
    if (!isShown) return;
    history.pushState(null, "", this.address());
    this.part("opened").scrollIntoView({ block: "start" });
  }

  /**
   * @param {string} name
   * @param {View} view
   * @returns {Promise<boolean>} whether it is shown: it could be read, and nothing else was opened meanwhile
   */
  async openView(name, view) {
    const opening = ++this.openings;
    this.name = name;
    this.judged = view.judged;
    this.window.rowChoice.take(view.rows);
    this.drawn.take(view.joints);
    this.part("opened").hidden = false;
    try {
      const opened = await this.fetchOpened();
      if (!opened || opening !== this.openings) return false;
      this.renderOpened(opened, view);
      return true;
    } catch (fault) {
      if (opening !== this.openings) return false;
      setText(this.part("name"), "This recording cannot be opened");
      setText(this.part("when"), fault.message);
      this.opened = null;
      this.list.refresh();
      return false;
    }
  }

  /** What is shown of the recording whatever its window; null if something else was opened since. */
  async fetchOpened() {
    const { name, judged } = this;
    this.renderJudged(judged ? "Working out what other limits would have raised …" : "");
    const width = this.part("rows").clientWidth;
    const opened = await fetchOpened(name, { ...figureSize(width), ...this.which }, this.signal);
    if (this.name !== name || this.judged !== judged) return null;
    this.renderJudged(opened.other_limits);
    return opened;
  }

  /** @param {Overview} opened @param {View} view */
  renderOpened(opened, view) {
    this.opened = opened;
    this.transport.play(false);
    setText(this.part("name"), opened.name);
    setText(this.part("when"), opened.when);
    document.title = opened.name + " – dutytrace";
    this.excursions.forgetChoice();
    this.renderParts(opened);
    this.list.refresh();
    this.overlay.begin(view.over, view.shift, view.over_joints);
    const [worst] = opened.excursions;
    this.head = view.at === null ? (worst?.at_s ?? 0) : clamp(view.at, 0, opened.length_s);
    this.takeSpan(view.span);
    this.show(view.from ?? 0, view.to ?? opened.length_s);
  }

  /** Asks anew for what is shown of the recording, its window as it is. */
  async refresh() {
    if (!this.opened || !this.view) return;
    try {
      const opened = await this.fetchOpened();
      if (!opened) return;
      this.opened = opened;
      this.renderParts(opened);
      this.show(this.view[0], this.view[1]);
    } catch (fault) {
      setText(this.part("when"), fault.message);
    }
  }

  /** @param {Overview} opened */
  renderParts(opened) {
    this.drawn.render(opened);
    this.strip.render(opened.strip);
    this.excursions.render(opened);
    this.notes.render(opened.notes);
    this.findings.render(opened.findings);
    renderAttachments(this, opened.attachments);
  }

  /** @param {string} text */
  renderJudged(text) {
    setText(this.part("judged-words"), text);
    this.part("judged").hidden = !this.judged;
  }

  showAsRecorded() {
    this.judged = "";
    history.pushState(null, "", this.address());
    if (this.opened) this.refresh();
    else this.route();
  }

  /* ---- the address ---- */

  address() {
    const path = "/replay/" + encodeURIComponent(this.name);
    const { view, span, which } = this;
    if (!view) return addressOf(path, which);
    const window = { from: toMilli(view[0]), to: toMilli(view[1]), at: toMilli(this.head) };
    const spans = span ? { span0: toMilli(span[0]), span1: toMilli(span[1]) } : {};
    return addressOf(path, { ...window, ...spans, ...this.overlay.params(), ...which });
  }

  /** Puts the view into the address bar once it rests. */
  saveView() {
    this.export.render();
    this.saveAddress(() => this.address());
  }

  /* ---- window, play-head, span ---- */

  /** Shows a window. @param {number} from @param {number} to */
  show(from, to) {
    this.view = windowWithin(from, to, LEAST_WINDOW_S, this.opened.length_s);
    this.saveView();
    this.window.markChoice();
    this.strip.draw();
    this.window.fetch();
    this.findings.renderView();
  }

  /** @param {number} factor @param {number} [around] the play-head without */
  zoom(factor, around) {
    if (!this.view) return;
    const [from, to] = this.view;
    const at = around ?? clamp(this.head, from, to);
    this.show(at - (at - from) * factor, at + (to - at) * factor);
  }

  /** @param {number} head @param {{follow?: boolean}} [how] whether the window goes with it */
  moveHead(head, { follow = false } = {}) {
    this.head = clamp(head, 0, this.opened.length_s);
    if (follow && this.view && (this.head < this.view[0] || this.head > this.view[1])) {
      const width = this.view[1] - this.view[0];
      this.show(this.head - width * 0.2, this.head + width * 0.8);
    }
    this.window.draw();
    this.strip.draw();
    this.saveView();
  }

  /** @param {[number, number] | null} span */
  takeSpan(span) {
    this.span = span;
    this.window.draw();
    this.saveView();
    this.spans.render();
  }

  /** Other rows were chosen; or the second recording is another one, or stands elsewhere. */
  redrawOverlay() {
    if (!this.opened || !this.view) return;
    this.saveView();
    this.strip.draw();
    this.window.fetch();
    this.after("span", 150, () => {
      if (this.span) this.spans.render();
    });
  }
}
