// @ts-check
/* The Limits page: limits as they stand on it, what they would have raised on recordings, and where they go.
   Its parts: the draft, the asking, the pickers, the forms, the lanes, the scores, the sweep. */
import { fetchLimitsOf, fetchLimitsStart } from "../api.mjs";
import { byId, emptyPage, html } from "../dom.mjs";
import { isPageKey } from "../keys.mjs";
import { Page } from "../page.mjs";
import { purgePlot } from "../plotly.mjs";
import { takeProposed } from "../proposed.mjs";
import { LimitsAnswers } from "./answers.mjs";
import { CurvePicture } from "./curve.mjs";
import { LimitsDraft } from "./draft.mjs";
import { LimitsExplorer } from "./explorer.mjs";
import { BadEndForm, LimitForms } from "./form.mjs";
import { LimitsHandover } from "./handover.mjs";
import { ResultLanes } from "./lanes.mjs";
import { RecordingPicker } from "./recordings.mjs";
import { Scores } from "./scores.mjs";
import { LimitSweep } from "./sweep.mjs";

/** @typedef {import("./answers.d.ts").Channel} Channel */
/** @typedef {import("./answers.d.ts").Form} Form */
/** @typedef {import("./answers.d.ts").ListedRecording} ListedRecording */

const HOUSING = { channel: "temperature_housing_degC", label: "housing", unit: "°C" };
const EMPTY = /** @type {[string, string][]} */ ([
  ["Make a six-hour test in seconds", "dutytrace simulate --hours 6"],
  ["See it with simulated joints", "dutytrace demo"],
  ["Look somewhere else", "dutytrace dashboard --recordings FOLDER"],
]);
/** State of the Limits page, and what its parts show of an answer. */
export class LimitsPage extends Page {
  /** @param {HTMLElement} root */
  constructor(root) {
    super(root);
    /** @type {ListedRecording[]} */
    this.recordings = [];
    /** The forms that limits can have. @type {Form[]} */
    this.forms = [];
    /** The channels of the chosen recordings, null before the first answer. @type {Channel[] | null} */
    this.channels = null;
    /** Whether the draft has changes that this tab does not keep yet. */
    this.isUnsaved = false;
    this.part = (/** @type {string} */ name) => byId("judge-" + name);
    this.curve = new CurvePicture(this);
    this.answers = new LimitsAnswers(this);
    this.draft = new LimitsDraft();
    this.explorer = new LimitsExplorer(this);
    this.picker = new RecordingPicker(this);
    this.limitForms = new LimitForms(this.part("limits"), this);
    this.badEndForm = new BadEndForm(this.part("end"), this);
    this.lanes = new ResultLanes(this.part("lanes"), this);
    this.scores = new Scores(this);
    this.sweep = new LimitSweep(this);
    this.handover = new LimitsHandover(this);

    this.listen(document, "keydown", (event) => this.pressKey(event));
    this.listen(window, "pagehide", () => this.saveDraft());
    this.listen(document, "visibilitychange", () => this.refreshRecordings());
    this.onScreenChange(() => {
      this.answers.renderLanes();
      this.sweep.draw();
      this.curve.fetch();
    });
    const picker = /** @type {HTMLDetailsElement} */ (this.part("picker"));
    picker.ontoggle = () => picker.open && this.refreshRecordings();
    this.start();
  }

  end() {
    this.saveDraft();
    super.end();
    [this.curve.plot, this.sweep.plot].forEach((plot) => purgePlot(plot));
  }

  /** @param {string} text */
  say(text) {
    this.handover.say(text);
  }

  /* ---- beginning ---- */

  async start() {
    try {
      const { recordings, forms, drop_offs, folder } = await fetchLimitsStart(this.signal);
      Object.assign(this, { recordings, forms });
      this.draft.dropOffs = drop_offs;
      this.part("empty").hidden = recordings.length > 0;
      this.part("desk").hidden = recordings.length === 0;
      if (recordings.length) this.restoreOrBegin();
      else {
        const lede = `There are no recordings in ${folder} yet: limits are tried on what was recorded.`;
        this.part("empty").replaceChildren(...emptyPage(lede, EMPTY));
      }
    } catch (fault) {
      this.part("empty").hidden = false;
      this.part("empty").replaceChildren(html("p", "lede", fault.message));
    }
  }

  /** Begins with the recording that the address names, or with what this tab kept. */
  restoreOrBegin() {
    const { draft, recordings } = this;
    const known = new Set(recordings.map((recording) => recording.path));
    /* The longest one says most of limits. */
    const longestFirst = [...recordings].sort((a, b) => b.length_s - a.length_s);
    const first = longestFirst.find((recording) => recording.limits) || longestFirst[0];
    const from = new URLSearchParams(location.search).get("from");
    const proposed = takeProposed();
    const wanted = from || proposed?.path;
    this.picker.build();
    if (!from && draft.restore(known)) {
      if (!draft.paths.length) draft.paths = [first.path];
      if (proposed) this.addProposal(proposed, known);
      this.rebuild();
      return;
    }
    draft.paths = [wanted && known.has(wanted) ? wanted : first.path];
    /* Before anything is asked, or the answer to the limits without them would be shown with them. */
    this.begin(draft.paths[0], () => proposed && this.addProposal(proposed, known));
  }

  /**
   * Limits that another page proposes: beside those that are here, open, and not in force.
   * @param {import("../heat/answers.d.ts").Proposed} proposed
   * @param {Set<string>} known the recordings that there are
   */
  addProposal({ path, tables, joint, channel, level, said }, known) {
    if (known.has(path)) this.draft.paths = [path];
    this.draft.addTables(tables);
    Object.assign(this.draft.bad, { way: "above", channel, level, joint });
    this.say(said.join(" "));
  }

  /** Recordings come and end while the page is open. */
  async refreshRecordings() {
    if (!this.recordings.length || document.hidden) return;
    const { recordings } = await fetchLimitsStart(this.signal).catch(() => ({ recordings: [] }));
    if (!recordings.length || JSON.stringify(recordings) === JSON.stringify(this.recordings)) return;
    this.recordings = recordings;
    this.picker.build();
    this.picker.render();
  }

  /**
   * Begins with the limits of a recording; an example of every kind without one.
   * @param {string} path
   * @param {() => void} [adds] what comes beside them
   */
  async begin(path, adds) {
    try {
      this.takeLimits(await fetchLimitsOf(path, this.signal), { guess: true, adds });
    } catch (fault) {
      this.say(fault.message);
    }
  }

  /** @param {any} read @param {{guess?: boolean, adds?: () => void}} [how] whether a bad end is guessed from them */
  takeLimits(read, { guess = false, adds } = {}) {
    this.draft.replace(read);
    this.answers.forget();
    if (guess) this.draft.guessBadEnd(new Set(this.chosenRecordings().flatMap((recording) => recording.channels)));
    adds?.();
    this.rebuild();
  }

  rebuild() {
    this.buildForms();
    this.picker.render();
    this.ask();
  }

  buildForms() {
    this.badEndForm.build();
    this.limitForms.build();
    this.sweep.build();
  }

  /* ---- what the parts ask of the page ---- */

  chosenRecordings() {
    return this.recordings.filter((recording) => this.draft.paths.includes(recording.path));
  }

  /** Other recordings may have other joints, and what all limits came to on the ones before is void. */
  rechooseRecordings() {
    this.scores.together = null;
    this.picker.render();
    this.badEndForm.build();
    this.limitForms.build();
    this.ask();
  }

  /** @param {number} i */
  formOf(i) {
    return this.forms.find((form) => form.form === this.draft.formKeys[i]);
  }

  /** @returns {string[]} */
  joints() {
    return [...new Set(this.chosenRecordings().flatMap((recording) => recording.joints))];
  }

  /** What people call a joint. @param {string} joint */
  labelOf(joint) {
    const labels = Object.assign({}, ...this.chosenRecordings().map((recording) => recording.joint_labels));
    return labels[joint] || joint;
  }

  knownChannels() {
    return this.channels || [HOUSING];
  }

  ask() {
    this.isUnsaved = true;
    this.after("save", 200, () => this.saveDraft());
    this.sweep.markAged();
    this.explorer.ask();
  }

  /** Keeps what was turned; also what was turned just before the page is left. */
  saveDraft() {
    if (this.isUnsaved) this.draft.save();
    this.isUnsaved = false;
  }

  /** Opens another limit. @param {number} i */
  chooseLimit(i) {
    this.draft.chosen = i;
    this.answers.answer = null;
    this.limitForms.build();
    this.sweep.build();
    this.ask();
  }

  /** @param {number} i @param {string} key @param {any} value */
  setValue(i, key, value) {
    if (this.draft.setValue(i, key, value)) this.limitForms.follow();
    if (key === "name") this.limitForms.rename(i, value || "");
    this.ask();
  }

  /** @param {string} form */
  addLimit(form) {
    const kind = this.forms.find((one) => one.form === form);
    this.draft.add(kind, this.channels ? this.channels.map(({ channel }) => channel) : [HOUSING.channel]);
    this.chooseLimit(this.draft.chosen);
  }

  /** @param {number} i */
  removeLimit(i) {
    this.draft.remove(i);
    this.answers.forget();
    this.chooseLimit(this.draft.chosen);
  }

  changeBadEnd() {
    this.scores.together = null;
    this.ask();
  }

  /* ---- a level is dragged ---- */

  /** What the form calls a key. @param {string} key @returns {string} */
  keyLabel(key) {
    const keys = this.formOf(this.draft.chosen)?.keys || [];
    return keys.find((one) => one.key === key)?.label || key;
  }

  /** @param {KeyboardEvent} event */
  pressKey(event) {
    if (!isPageKey(event)) return;
    const { chosen, tables } = this.draft;
    const count = tables.length;
    if (event.key === "[" && count) this.chooseLimit((chosen + count - 1) % count);
    else if (event.key === "]" && count) this.chooseLimit((chosen + 1) % count);
    else if (event.key.toLowerCase() === "e") this.explorer.computeExactly(true);
    else return;
    event.preventDefault();
  }
}
