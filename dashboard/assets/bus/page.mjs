// @ts-check
/* The Bus page: how the buses of a recording were, and who sent in a span of it. A live recording is asked
   again every second and a half. The address bar holds the view, so that it can be sent to a colleague. */
import { fetchBusView } from "../api.mjs";
import { byId, clamp, html, setText } from "../dom.mjs";
import { recordingInAddress, takeOpened } from "../opened.mjs";
import { figureSize, Page, windowWithin } from "../page.mjs";
import { RecordingList } from "../recording_choice.mjs";
import { busAddress, busViewOf, NEWEST_S } from "./address.mjs";
import { BusControls, LEAST_WINDOW_S } from "./controls.mjs";
import { BusNotice, LOST_MS } from "./notice.mjs";
import { renderBuses, renderEvents, renderHints, renderSpanHead, renderUndecoded, SenderTable } from "./tables.mjs";
import { BusTimeline, timelineHeight } from "./timeline.mjs";

/** @typedef {import("./answers.d.ts").BusAnswer} BusAnswer */

const AGAIN_MS = 1500;
const MOST_PAUSE_MS = 10_000;
const LIST_EVERY = 4; /* ticks */
const VISITED_S = 60;
const EMPTY = /** @type {[string, string][]} */ ([
  ["Record the bench", "dutytrace record bench.toml"],
  ["See it with simulated joints", "dutytrace demo"],
  ["Listen without recording", "dutytrace bus bench.toml --for 10s"],
]);

/** A time as the address tells it, so that who is sent it sees the same. @param {number} seconds */
function roundToMilli(seconds) {
  return Math.round(seconds * 1000) / 1000;
}

/** State, routing and asking of the Bus page. */
export class BusPage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    /** The recording that is looked at, empty for none. */
    this.name = "";
    /** The bus whose senders are listed, empty for the first. */
    this.bus = "";
    /** The window of the picture, null for the whole recording. @type {[number, number] | null} */
    this.view = null;
    /** The span that is held, null while the newest is followed. @type {[number, number] | null} */
    this.span = null;
    /** How much of the newest is followed, in seconds. */
    this.newest = NEWEST_S;
    /** What the server answered last. @type {any} */
    this.answer = null;
    this.isAsking = false;
    this.isStale = false;
    this.asked_ms = -Infinity;
    this.cost_ms = 0;
    this.ticks = 0;
    this.notice = new BusNotice(this);
    this.timeline = new BusTimeline(this);
    this.senders = new SenderTable(this, this.part("talkers"));
    this.select = html("select");
    this.select.id = "heard-select";
    this.part("choice").replaceChildren(this.select);
    this.controls = new BusControls(this);
    this.list = new RecordingList(this, {
      empty: EMPTY,
      answered: () => this.notice.markAnswered(),
      chosen: () => this.answer || this.fetch(),
      failed: (fault) => this.notice.renderFault(fault),
    });
    this.listen(window, "popstate", () => this.route());
    this.onScreenChange(() => this.fetch());
    this.every(AGAIN_MS, () => this.tick());
    this.route();
  }

  /** @param {string} name */
  part(name) {
    return byId("heard-" + name);
  }

  end() {
    super.end();
    this.timeline.end();
  }

  /* ---- which recording ---- */

  route() {
    Object.assign(this, busViewOf(location.search));
    const kept = takeOpened();
    /* Before the list comes: the answer for what was shown until now would be taken for this one's. */
    Object.assign(this, { answer: null, name: recordingInAddress("bus") || kept });
    this.list.refresh();
  }

  address() {
    const { bus, view, span, newest } = this;
    const isOneOfSeveral = this.answer?.buses.length > 1;
    return busAddress(this.name, { bus: isOneOfSeveral ? bus : "", view, span, newest });
  }

  /** @param {string} name */
  open(name) {
    if (name === this.name) return;
    Object.assign(this, { name, bus: "", view: null, span: null, answer: null });
    if (this.notice.lost === "recording") this.notice.markAnswered(true);
    history.pushState(null, "", this.address());
    this.fetch();
  }

  /* ---- asking: one question at a time, the newest one next ---- */

  tick() {
    if (document.hidden) return;
    this.ticks += 1;
    if (this.ticks % LIST_EVERY === 0) this.list.refresh();
    /* What costs the server long is asked more seldom: a tenth of its time, unless that were long. */
    const isDue = performance.now() - this.asked_ms > Math.min(9 * this.cost_ms, MOST_PAUSE_MS);
    if (this.name && (!this.answer || this.answer.live || this.notice.lost) && isDue) this.fetch();
    if (this.isAsking && this.notice.quiet_ms > LOST_MS + AGAIN_MS) this.notice.renderSilence();
  }

  async fetch() {
    if (!this.name || this.gone) return;
    if (this.isAsking) {
      this.isStale = true;
      return;
    }
    this.isAsking = true;
    this.isStale = false;
    this.asked_ms = performance.now();
    this.part("opened").hidden = false;
    const { name, bus, view, span, newest } = this;
    const { host } = this.timeline;
    host.classList.add("busy");
    const which = { newest, bus, start: view?.[0], end: view?.[1], span0: span?.[0], span1: span?.[1] };
    try {
      const size = figureSize(host.clientWidth, timelineHeight());
      const answer = await fetchBusView(name, { ...which, ...size }, this.signal);
      if (this.name === name) {
        this.notice.markAnswered(true);
        this.cost_ms = performance.now() - this.asked_ms;
        await this.render(answer, { bus, view });
      }
    } catch (fault) {
      this.notice.renderFault(fault);
    }
    this.isAsking = false;
    host.classList.remove("busy");
    if (this.isStale) this.fetch();
  }

  /* ---- showing ---- */

  /**
   * @param {BusAnswer} answer
   * @param {{bus: string, view: [number, number] | null}} asked what it was asked about
   */
  async render(answer, asked) {
    this.part("opened").classList.remove("waiting");
    this.answer = answer;
    /* What was chosen since it was asked for is not taken back by its answer. */
    if (this.bus === asked.bus) this.bus = answer.buses[answer.bus].name;
    if (this.view && this.view === asked.view) this.view = [...answer.view];
    setText(this.part("name"), answer.name);
    setText(this.part("when"), answer.when);
    document.title = `Bus: ${answer.name} – dutytrace`;
    this.select.value = answer.path;
    const caution = this.part("caution");
    caution.hidden = !answer.caution;
    setText(caution, answer.caution);
    renderBuses(this.part("buses"), answer.buses, answer.bus);
    renderSpanHead((name) => this.part(name), answer);
    this.senders.render(answer.traffic);
    renderHints(this.part("hints"), answer.traffic);
    renderUndecoded(this.part("undecoded"), answer.traffic);
    renderEvents(this.part("happened"), answer, (at_s, bus) => this.visit(at_s, bus));
    this.controls.markChoices();
    this.saveAddress(() => this.address());
    await this.timeline.render(answer);
  }

  /** The span whose senders are shown. @returns {[number, number] | null} */
  shownSpan() {
    const traffic = this.answer?.traffic;
    return traffic ? [traffic.from_s, traffic.to_s] : null;
  }

  /* ---- what somebody does ---- */

  spanLength() {
    return this.span ? this.span[1] - this.span[0] : this.newest;
  }

  /**
   * Looks at a span, of a bus if one is named.
   * @param {number} from
   * @param {number} to
   * @param {string | null} [bus]
   */
  takeSpan(from, to, bus = null) {
    if (!this.answer) return;
    if (bus !== null) this.bus = bus;
    const [start, end] = windowWithin(from, to, 0, Math.max(this.answer.length_s, 0.1)).map(roundToMilli);
    this.span = [start, Math.max(end, start + 0.001)];
    const [left, right] = this.answer.view;
    const half = (right - left) / 2;
    if (this.view && (start < left || start > right)) this.show(start - half, start + half);
    else this.fetch();
  }

  /** @param {number} at_s @param {number | null | undefined} bus its place among the buses */
  visit(at_s, bus) {
    const half = Math.min(this.spanLength(), VISITED_S) / 2;
    const name = bus === null || bus === undefined ? null : (this.answer.buses[bus]?.name ?? null);
    this.takeSpan(at_s - half, at_s + half, name);
  }

  /** Shows a window. @param {number} from @param {number} to */
  show(from, to) {
    const whole = Math.max(this.answer.length_s, LEAST_WINDOW_S);
    const view = windowWithin(from, to, LEAST_WINDOW_S, whole);
    this.view = view[1] - view[0] >= whole - 0.01 ? null : view;
    this.fetch();
  }

  /** @param {number} factor @param {number} [around] the span, or the end, without */
  zoom(factor, around) {
    const [from, to] = this.answer.view;
    const span = this.shownSpan();
    const at = around ?? (span ? clamp(span[0], from, to) : to);
    this.show(at - (at - from) * factor, at + (to - at) * factor);
  }

  follow() {
    if (this.span) this.newest = clamp(this.spanLength(), 1, 60);
    this.span = null;
    if (this.answer?.live) this.view = null;
    this.fetch();
  }

  /** @param {string} bus */
  chooseBus(bus) {
    this.bus = bus;
    this.fetch();
  }
}
