// @ts-check
/* Which recordings the limits are tried on, and where they begin: with those of a recording, an example, or
   a file; and which limit is added. */
import { button, findAll, html, setText } from "../dom.mjs";
import { makeSelect } from "./form.mjs";

/** @typedef {import("./answers.d.ts").ListedRecording} ListedRecording */

const NEWEST = 40;

/** The pickers above the limits. */
export class RecordingPicker {
  /** @param {import("./page.mjs").LimitsPage} page */
  constructor(page) {
    this.page = page;
  }

  build() {
    const { page } = this;
    page.part("begin").replaceChildren(this.beginSelect());
    page.part("file").replaceChildren(this.fileBox());
    page.part("add").replaceChildren(this.addSelect());
    const rows = page.recordings.map((recording) => this.row(recording));
    const all = page.recordings.map((recording) => recording.path);
    const isMany = all.length > NEWEST;
    const buttons = [
      button(isMany ? `The newest ${NEWEST}` : "All of them", () => this.choose(all.slice(0, NEWEST)), "plain"),
      button("Only the newest", () => this.choose(all.slice(0, 1)), "plain"),
    ];
    page.part("recordings").replaceChildren(html("ul", "", rows), html("div", "does", buttons));
  }

  beginSelect() {
    const { page } = this;
    /** @type {[string, string][]} */
    const options = page.recordings
      .filter((recording) => recording.limits)
      .map((recording) => [recording.path, `the limits of ${recording.name}, ${recording.begun}`]);
    const choices = /** @type {[string, string][]} */ ([
      ["", "Begin with…"],
      ...options,
      ["example", "an example of every kind"],
    ]);
    const select = makeSelect(choices, "", "Begin with", (value) => {
      if (value) page.begin(value === "example" ? "" : value);
      select.value = "";
    });
    return select;
  }

  addSelect() {
    const { page } = this;
    const options = page.forms.map((form) => /** @type {[string, string]} */ ([form.form, form.label]));
    const select = makeSelect([["", "Add…"], ...options], "", "Add a limit", (value) => {
      if (value) page.addLimit(value);
      select.value = "";
    });
    return select;
  }

  fileBox() {
    const { page } = this;
    const file = html("input", "hidden-file");
    file.type = "file";
    file.accept = ".toml,text/plain";
    file.onchange = async () => {
      const chosen = file.files?.[0];
      if (!chosen) return;
      try {
        page.takeLimits(await page.explorer.post("parse", { text: await chosen.text() }));
      } catch (fault) {
        page.say(fault.message);
      }
      file.value = "";
    };
    return file;
  }

  /** @param {ListedRecording} recording */
  row({ path, name, begun, length, live }) {
    const box = html("input");
    box.type = "checkbox";
    box.value = path;
    box.id = "judge-r-" + path;
    box.onchange = () => {
      const { draft, recordings } = this.page;
      const isChosen = (/** @type {string} */ one) => (one === path ? box.checked : draft.paths.includes(one));
      this.choose(recordings.map((recording) => recording.path).filter(isChosen));
    };
    const when = ` ${begun}, ${length}${live ? ", still recording" : ""}`;
    const label = html("label", "", [html("span", "words", name), html("small", "", when)]);
    label.htmlFor = box.id;
    return html("li", "", [box, label]);
  }

  /** @param {string[]} paths */
  choose(paths) {
    this.page.draft.paths = paths;
    this.page.rechooseRecordings();
  }

  /** Shows which are chosen. */
  render() {
    const { draft, recordings, part } = this.page;
    /* One that is gone cannot be unpicked by hand. */
    const chosen = recordings.filter((recording) => draft.paths.includes(recording.path));
    draft.paths = chosen.map((recording) => recording.path);
    for (const box of findAll(part("recordings"), "input")) {
      const input = /** @type {HTMLInputElement} */ (box);
      input.checked = draft.paths.includes(input.value);
    }
    const names = chosen.map((recording) => recording.name);
    const more = names.length > 3 ? ` and ${names.length - 3} more` : "";
    const several = `${names.length} recordings: ${names.slice(0, 3).join(", ")}${more}`;
    const text = "Tried on " + (names.length === 1 ? names[0] : several);
    setText(part("on"), names.length ? text : "Tried on nothing: choose recordings");
    const handOver = document.getElementById("judge-hand");
    if (handOver) handOver.hidden = !recordings.some((recording) => recording.live);
  }
}
