// @ts-check
/* The controls of a second recording over the first: which one, how it is aligned, how far it is moved. */
import { button, byId, findAll, html, renderFact, setText, words } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").Alignment} Alignment */
/** @typedef {import("./answers.d.ts").OverlayState} OverlayState */

const NUDGES_S = [-10, -1, -0.1, 0.1, 1, 10];

/** @param {string} text @param {string} value */
function option(text, value) {
  const element = html("option", "", text);
  element.value = value;
  return element;
}

/** @param {string} id @param {() => void} changed @param {HTMLElement} place */
function makeSelect(id, changed, place) {
  const select = html("select");
  select.id = id;
  select.onchange = changed;
  place.replaceChildren(select);
  return select;
}

/** Shows and sets what an overlay is. */
export class OverlayControls {
  /** @param {import("./overlay.mjs").Overlay} overlay */
  constructor(overlay) {
    this.overlay = overlay;
    this.box = byId("past-over");
    this.line = byId("past-laid");
    this.opener = byId("past-lay");
    /** What the line says, and of whom. */
    this.shown = "";
    this.select = makeSelect("past-over-select", () => overlay.choose(this.select.value), this.part("choice"));
    this.here = makeSelect("past-over-here", () => overlay.alignEvents(), this.part("here-choice"));
    this.there = makeSelect("past-over-there", () => overlay.alignEvents(), this.part("there-choice"));
    this.joints = makeSelect(
      "past-over-joints",
      () => overlay.chooseJoints(this.joints.value),
      this.part("joints-choice"),
    );
    this.number = html("input");
    this.addControls();
  }

  /** @param {string} name */
  part(name) {
    return byId("past-over-" + name);
  }

  addControls() {
    this.opener.onclick = () => this.toggle(this.box.hidden, true);
    this.part("off").onclick = () => {
      this.overlay.choose("");
      this.toggle(false);
      this.opener.focus();
    };
    for (const choice of findAll(this.box, "[data-align]"))
      choice.onclick = () => this.overlay.alignBy(choice.dataset.align || "start");
    const { number } = this;
    number.type = "number";
    number.step = "0.1";
    number.id = "past-over-shift";
    number.inputMode = "decimal";
    number.onchange = () => {
      if (number.value === "") this.render();
      else this.overlay.move(Number(number.value));
    };
    this.part("shift-choice").replaceChildren(number);
    const nudges = NUDGES_S.map((by) => {
      const size = Math.abs(by);
      const nudge = button((by < 0 ? "−" : "+") + size, () => this.overlay.move(this.overlay.shift_s + by));
      nudge.setAttribute("aria-label", `Move it ${size} s ${by < 0 ? "earlier" : "later"}`);
      return nudge;
    });
    this.part("nudges").replaceChildren(...nudges);
  }

  /** @param {boolean} isOpen @param {boolean} [byHand] */
  toggle(isOpen, byHand = false) {
    this.box.hidden = !isOpen;
    this.opener.setAttribute("aria-expanded", String(isOpen));
    if (isOpen && byHand) this.select.focus();
  }

  /** @param {Alignment} info */
  renderEvents(info) {
    const chosen = this.overlay.info ? [this.here.value, this.there.value] : (info.pair || ["", ""]).map(String);
    this.overlay.info = info;
    [this.here, this.there].forEach((select, i) => {
      const events = i ? info.other_events : info.events;
      const options = events.map((event, n) => option(event.label, String(n)));
      select.replaceChildren(option("choose", ""), ...options);
      select.value = chosen[i];
    });
    /* An address tells the shift alone; where it is the one of the events, they are meant. */
    if (
      this.overlay.align === "hand" &&
      info.pair &&
      this.overlay.shift_s === this.overlay.shiftOf(info.pair[0], info.pair[1])
    )
      this.overlay.align = "event";
  }

  /** Puts what is so into the controls. */
  render() {
    this.renderOptions();
    /* By hand it goes without knowing any event of it. */
    const isOn = Boolean(this.overlay.name);
    const isKnown = isOn && Boolean(this.overlay.info);
    for (const choice of findAll(this.box, "[data-align]")) {
      choice.setAttribute("aria-pressed", String(isOn && choice.dataset.align === this.overlay.align));
      const enabled = choice.dataset.align === "event" ? isKnown : isOn;
      /** @type {HTMLButtonElement} */ (choice).disabled = !enabled;
    }
    this.part("off").hidden = !isOn;
    this.part("events").hidden = !isKnown || this.overlay.align !== "event";
    this.part("hand").hidden = !isOn || this.overlay.align !== "hand";
    this.renderJoints();
    const { number } = this;
    if (document.activeElement !== number || Number(number.value) !== this.overlay.shift_s)
      number.value = String(this.overlay.shift_s);
    const remarks = this.remarks(isKnown).join(" ");
    setText(this.part("said"), remarks);
    this.part("said").hidden = !remarks;
  }

  /** @param {boolean} isKnown @returns {string[]} */
  remarks(isKnown) {
    const { info } = this.overlay;
    if (!isKnown || !info) return this.overlay.fault && !this.line.querySelector(".mark") ? [this.overlay.fault] : [];
    const remarks = [...info.remarks];
    if (this.overlay.align === "event" && info.omitted)
      remarks.unshift("The lists end after the first 400 events; move it by hand to the rest.");
    if (this.overlay.align === "event" && !info.pair)
      remarks.unshift("No limit was raised in both: choose an event of each.");
    return remarks;
  }

  /** Which joint of it lies over which, where there is something to choose. */
  renderJoints() {
    const { info, joints } = this.overlay;
    const choices = info?.joints || [];
    const usual = info?.shares_joints ? [option("each over its own", "")] : [];
    renderFact(this.joints, [choices, usual.length], () => [
      ...usual,
      ...choices.map(({ key, label }) => option(label, key)),
    ]);
    this.joints.value = joints;
    this.part("joint").hidden = choices.length + usual.length < 2;
  }

  renderOptions() {
    const { rows, name } = this.overlay;
    renderFact(this.select, [rows.map((r) => [r.path, r.name, r.begun, r.fault]), name], () => {
      const list = rows.map((r) => {
        const when = r.live ? ", still recording" : ", " + r.begun;
        const one = option(r.fault ? r.path + ", cannot be read" : r.name + when, r.path);
        one.disabled = Boolean(r.fault);
        return one;
      });
      if (name && !rows.some((r) => r.path === name)) list.push(option(name + ", not here", name));
      return [option("none", ""), ...list];
    });
    this.select.value = name;
  }

  /** What the rows' answer says of it. @param {OverlayState | null | undefined} answer */
  renderAnswer(answer) {
    const fault = answer?.fault || "";
    const text = answer?.label || "";
    const key = this.overlay.name + fault + text;
    if (this.shown === key) return;
    this.shown = key;
    this.line.hidden = !this.overlay.name;
    if (fault) this.line.replaceChildren(html("span", "mark none"), words(" " + fault));
    else if (text) this.line.replaceChildren(html("span", "pen other"), html("b", "", "other: "), words(text));
    else this.line.replaceChildren();
    this.render();
  }
}
