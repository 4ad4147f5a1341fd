// @ts-check
/* The Live page: takes what the live route sends and puts it where it belongs. Messages are only kept when
   they come; everything is drawn in requestAnimationFrame and acknowledged after it was drawn, so that a
   slow browser sets the pace and no backlog can build. */
import { sendRequest } from "../api.mjs";
import { readerPlace } from "../request.mjs";
import { byId, find, findAll, html, renderFact, setText } from "../dom.mjs";
import { isPageKey } from "../keys.mjs";
import { Page } from "../page.mjs";
import { RowChoice } from "../row_choice.mjs";
import { screenForm, screenHeight, screenTheme } from "../screen.mjs";
import { chosenUnits, UNITS_CHANGED } from "../units.mjs";
import { AlertList } from "./alerts.mjs";
import { AlertSound } from "./alert_sound.mjs";
import { LiveConnection } from "./connection.mjs";
import { unpackFrame } from "./frame.mjs";
import { JointLedger, renderBuses } from "./ledger.mjs";
import { addNoteBox } from "./note.mjs";
import { renderNothing } from "./nothing.mjs";
import { Notice, replayAddress } from "./notice.mjs";
import { mergePatch } from "./patch.mjs";
import { MeasuredLines } from "./measured.mjs";
import { LivePicture } from "./picture.mjs";
import { renderStage } from "./stage.mjs";
import { WakeLock } from "./wake_lock.mjs";

const KEPT_WINDOW = "dutytrace-window";
/** The rows that this reader chose, for every recording: empty for the usual ones. */
const KEPT_ROWS = "dutytrace-rows";

/** @typedef {import("./messages.d.ts").Status} Status */

/** State of Live, and what is done with each message. */
export class LivePage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    this.window_s = Number(sessionStorage.getItem(KEPT_WINDOW) || 300);
    /** What was received and not drawn yet. @type {(string | ArrayBuffer)[]} */
    this.messages = [];
    this.isFrameAsked = false;
    this.isHeld = false;
    /** What the server says in words, null before the first message. @type {Status | null} */
    this.status = null;
    /** Whether the server has said anything yet. */
    this.hasHeard = false;
    /** The path of the recording. */
    this.path = "";
    this.notice = new Notice();
    this.picture = new LivePicture();
    this.rowChoice = new RowChoice("live", () => this.chooseWindow(this.window_s), KEPT_ROWS);
    this.ledger = new JointLedger(this, () => this.sendView());
    this.alerts = new AlertList(this, (request, button) => this.sendAlertRequest(request, button));
    this.sound = new AlertSound(this, find(root, "#live-sound"));
    this.measured = new MeasuredLines(this);
    this.wakeLock = new WakeLock(this, find(root, "#live-awake"));
    /** The note's box; none where nothing may be written. @type {HTMLInputElement | null} */
    this.note = addNoteBox(this, (request) => this.send(request));
    this.addControls();
    this.onScreenChange(() => this.sendView());
    this.listen(window, UNITS_CHANGED, () => this.after("screen", 150, () => this.sendView()));
    this.listen(document, "keydown", (event) => this.pressKey(event));
    this.every(500, () => this.checkSilence());
    this.picture.start(() => this.drawLater());
    this.connection = new LiveConnection(this, {
      onOpen: () => {
        this.messages = [];
        this.sendView();
      },
      onMessage: (data) => {
        this.hasHeard = true;
        this.messages.push(data);
        /* A hidden page is given no frames to draw in; one that is to be heard takes its messages all the same. */
        if (document.hidden && this.sound.isWanted) this.takeMessages();
        else this.drawLater();
      },
    });
  }

  end() {
    super.end();
    this.picture.end();
  }

  /** Says what is to be sent: which window, at which size, in which units and zone. */
  sendView() {
    const height = screenHeight();
    const { host } = this.picture;
    /* A figure keeps its height until the next one comes: it may have more rows than the screen is tall. */
    if (!this.picture.figure) host.style.height = height + "px";
    const size = { width: host.clientWidth, height, form: screenForm(), theme: screenTheme() };
    const view = { kind: "look", window_s: this.window_s, rows: this.rowChoice.text, ...size };
    this.connection.send({ ...view, ...this.ledger.request(), ...chosenUnits(), ...readerPlace() });
  }

  /** Says what the page itself knows: that the server is silent. */
  checkSilence() {
    const silence = this.connection.checkSilence();
    if (silence && !this.hasHeard) {
      const again = silence.retry_s ? ` Trying again in ${silence.retry_s} s.` : "";
      const rest = ` The server has not answered for ${silence.quiet_s} s.${again}`;
      this.notice.show("lost", "Connecting.", rest, ["Try now", () => this.connection.connect()]);
    } else if (silence) {
      const next = silence.retry_s ? `Trying again in ${silence.retry_s} s.` : "Trying again.";
      const since = this.status?.clock || "before";
      this.notice.show(
        "lost",
        `This page has heard nothing from the server for ${silence.quiet_s} s.`,
        ` The logger may well be recording; what you see is from ${since}. ${next}`,
        ["Try now", () => this.connection.connect()],
      );
      for (const joint of findAll(this.root, ".joint, .tile")) joint.classList.add("stale");
    } else if (this.notice.kind === "lost") this.notice.clear();
    this.root.classList.toggle("stale-picture", Boolean(silence || this.status?.stopped));
  }

  /* ---- messages ---- */

  drawLater() {
    if (this.isFrameAsked || !this.picture.isReady) return;
    this.isFrameAsked = true;
    requestAnimationFrame(() => {
      this.isFrameAsked = false;
      if (!this.gone) this.takeMessages();
    });
  }

  takeMessages() {
    const { messages, picture } = this;
    this.messages = [];
    let serial = 0;
    let hasBins = false;
    let hasStatus = false;
    for (const data of messages) {
      if (typeof data !== "string") {
        const frame = unpackFrame(data);
        picture.addBins(frame);
        serial = frame.serial;
        hasBins = true;
        continue;
      }
      /** @type {import("./messages.d.ts").Message} */
      const message = JSON.parse(data);
      if (message.kind === "sheet") {
        picture.setSheet(message.figure);
        const { meta } = message.figure.layout;
        this.rowChoice.renderOffers(meta.offers, meta.chosen);
        this.path = message.path;
      } else if (message.kind === "marks") picture.editMarks(message);
      else if (message.kind === "status") {
        const known = message.whole ? {} : this.status || {};
        this.status = /** @type {Status} */ (mergePatch(known, message.changes));
        hasStatus = true;
      } else if (message.kind === "nothing") {
        serial = message.ack;
        this.sound.update("", []);
        renderNothing(message.last, message.fault);
      }
    }
    if (hasStatus && this.status) this.renderStatus(this.status);
    if (hasBins && document.hidden) picture.dropOld(this.window_s);
    else if (hasBins && !this.isHeld) picture.draw(this.window_s, Boolean(this.status?.stopped), this.ahead());
    if (serial) this.connection.send({ ack: serial });
  }

  /** Where the joints' temperatures go. */
  ahead() {
    const joints = this.status?.joints || [];
    return joints.flatMap(({ name, pen, ahead }) => (ahead ? [{ ...ahead, joint: name, pen }] : []));
  }

  /* ---- words ---- */

  /** @param {Status} status */
  renderStatus(status) {
    const { name, since, elapsed, clock, facts, stopped } = status;
    byId("live-empty").hidden = true;
    byId("live-body").hidden = false;
    byId("live-body").classList.remove("waiting");
    setText(byId("live-name"), name);
    document.title = name + " – dutytrace";
    renderFact(byId("live-since"), [since, Boolean(stopped)], () => [
      html("span", "mark " + (stopped ? "none" : "normal")),
      html("span", "", (stopped ? "recorded from " : "recording since ") + since),
    ]);
    setText(byId("fact-elapsed"), elapsed);
    setText(byId("fact-clock"), clock);
    for (const [key, text] of Object.entries(facts)) setText(byId("fact-" + key), text);
    setText(document.getElementById("live-note-label"), "Note at " + elapsed);
    this.path = status.path;
    this.notice.showStatus(status);
    this.ledger.take(status.path);
    this.measured.take(status.path);
    this.ledger.render(status);
    renderBuses(status.buses);
    this.alerts.render(status.alerts, status.more_alerts);
    this.sound.update(status.path, status.alerts);
    renderStage(status);
    renderFact(byId("live-remarks"), status.remarks, () => status.remarks.map((remark) => html("span", "", remark)));
  }

  /* ---- what somebody does ---- */

  addControls() {
    for (const choice of findAll(this.root, ".choice"))
      choice.onclick = () => this.chooseWindow(Number(choice.dataset.window));
    byId("live-hold").onclick = () => this.hold(!this.isHeld);
    this.markChoice();
  }

  /** @param {object} request @returns {Promise<boolean>} whether it was written */
  async send(request) {
    try {
      await sendRequest({ recording: this.path, ...request }, this.signal);
      return true;
    } catch (fault) {
      this.notice.show("refused", "That was not written.", " " + fault.message, ["Close", () => this.notice.clear()]);
      return false;
    }
  }

  /** @param {object} request @param {HTMLButtonElement} button */
  async sendAlertRequest(request, button) {
    button.disabled = true;
    if (!(await this.send(request))) button.disabled = false;
  }

  /** @param {number} seconds 0 for the whole test */
  chooseWindow(seconds) {
    this.window_s = seconds;
    sessionStorage.setItem(KEPT_WINDOW, String(seconds));
    this.hold(false);
    this.sendView();
  }

  markChoice() {
    for (const choice of findAll(this.root, ".choice")) {
      const isOn = Number(choice.dataset.window) === this.window_s;
      choice.setAttribute("aria-pressed", String(isOn));
      if (isOn) setText(byId("live-title"), choice.dataset.title || "");
    }
  }

  /** Holds the picture, or lets it go on. @param {boolean} isHeld */
  hold(isHeld) {
    this.isHeld = isHeld;
    const hold = byId("live-hold");
    const closer = /** @type {HTMLAnchorElement} */ (byId("live-closer"));
    hold.setAttribute("aria-pressed", String(isHeld));
    setText(hold, isHeld ? "Go on" : "Hold the picture");
    closer.hidden = !isHeld;
    const { view, now } = this.picture;
    const until = view && Math.min(view[1], now);
    if (isHeld && view && this.path)
      closer.href = `${replayAddress(this.path)}?from=${Math.max(0, view[0]).toFixed(3)}&to=${until?.toFixed(3)}`;
    if (isHeld) setText(byId("live-title"), "Held, the recording goes on");
    else this.markChoice();
  }

  /** @param {KeyboardEvent} event */
  pressKey(event) {
    if (!isPageKey(event)) return;
    const choices = findAll(this.root, ".choice");
    const place = Number(event.key);
    if (place >= 1 && place <= choices.length && event.key.length === 1) choices[place - 1].click();
    switch (event.key.toLowerCase()) {
      case "h":
        return byId("live-hold").click();
      case "s":
        return this.sound.button.click();
      case "w":
        return this.wakeLock.button.click();
      case "a":
        return this.alerts.acknowledgeFirst();
      case "o":
        return this.alerts.open(!this.alerts.isOpen);
      case "t":
        return this.ledger.board.focusFirst();
      case "n":
        if (!this.note) return;
        event.preventDefault();
        this.note.focus();
    }
  }
}
