// @ts-check
/* Where the limits of the page go: a file, a logger that is writing, Replay. */
import { html, saveText, setText, words } from "../dom.mjs";
import { makeSelect } from "./form.mjs";

const SAVED = "Saved as limits.toml. A logger takes it with --limits limits.toml, and again each time it is saved.";
const HANDED_OVER = "Handed over: the recording says when they are in force.";

/** Saving, handing over, and looking in Replay. */
export class LimitsHandover {
  /** @param {import("./page.mjs").LimitsPage} page */
  constructor(page) {
    this.page = page;
    page.part("save").onclick = () => this.save();
    /* Not there where nothing may be written. */
    const button = document.getElementById("judge-hand");
    if (button) button.onclick = () => this.confirm();
  }

  /** @param {() => Promise<void>} does what may fail */
  async attempt(does) {
    try {
      await does();
    } catch (fault) {
      this.page.say(fault.message);
    }
  }

  save() {
    const { page } = this;
    return this.attempt(async () => {
      /* What a sweep chose, and nothing else since, is saved with the sweep's own account of how far it can be
         trusted. */
      const account = page.sweep.result?.text || "";
      const { text } = await page.explorer.post("file", page.explorer.question({ whole: true, account }));
      saveText(text, "limits.toml", "application/toml");
      page.say(SAVED);
    });
  }

  /** Asks before limits that are in force are replaced. */
  confirm() {
    const { page } = this;
    const dialog = /** @type {HTMLDialogElement} */ (page.part("over"));
    const live = page.recordings.filter((recording) => recording.live);
    const options = live.map((recording) => /** @type {[string, string]} */ ([recording.path, recording.name]));
    const select = makeSelect(options, live[0].path, "recording", () => {});
    const count = page.draft.tables.length;
    const which =
      count === 0
        ? "Nothing would be watched any more: no limit at all takes"
        : count === 1
          ? "This limit takes"
          : `These ${count} limits take`;
    page
      .part("over-said")
      .replaceChildren(
        words(which + " the place of those in force at once, in the logger that writes "),
        live.length > 1 ? select : html("b", "", live[0].name),
        words(
          ". An alert of a limit that is changed or left out ends there. It is written into the recording." +
            " Limits warn; they are no safety function.",
        ),
      );
    page.part("over-yes").onclick = () => {
      dialog.close();
      this.deploy(select.value);
    };
    page.part("over-no").onclick = () => dialog.close();
    dialog.showModal();
  }

  /** @param {string} recording */
  deploy(recording) {
    const { base, tables } = this.page.draft;
    return this.attempt(async () => {
      await this.page.explorer.post("deploy", { recording, base, tables });
      this.page.say(HANDED_OVER);
    });
  }

  /** Opens a recording in Replay, judged by these limits. @param {string} path */
  openReplay(path) {
    const { explorer } = this.page;
    return this.attempt(async () => {
      const { token } = await explorer.post("file", explorer.question());
      location.assign(`/replay/${encodeURIComponent(path)}?judged=${token}`);
    });
  }

  /** @param {string} text */
  say(text) {
    setText(this.page.part("made"), text || "");
  }
}
