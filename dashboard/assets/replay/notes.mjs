// @ts-check
/* The notes of an opened recording, and the box in which one is written at the play-head; no box where
   nothing may be written. */
import { sendRequest } from "../api.mjs";
import { button, clamp, html, setText, words } from "../dom.mjs";
import { toMilli } from "../page.mjs";
import { countRows, ownHeight } from "./own_height.mjs";

/** @typedef {import("./answers.d.ts").NoteRow} NoteRow */

const LIVE_AFTER_MS = 800;

/** The list of notes beside the traces. */
export class NoteList {
  /** @param {import("./page.mjs").ReplayPage} page */
  constructor(page) {
    this.page = page;
    this.fault = html("small");
    this.fault.setAttribute("role", "status");
    /** @type {HTMLInputElement | null} */
    this.note = null;
    ownHeight(page.part("notes"));
    const place = document.getElementById("past-note-place");
    if (!place) return;
    const note = html("input");
    note.id = "past-note";
    note.maxLength = 500;
    note.autocomplete = "off";
    note.placeholder = "what you did or see here";
    this.note = note;
    place.replaceChildren(note, this.fault);
    /* In the capture phase: Dash would send the form itself. */
    page.listen(page.part("note-form"), "submit", (event) => this.submit(event), { capture: true });
  }

  /** @param {NoteRow[]} notes */
  render(notes) {
    const box = this.page.part("notes");
    if (!notes.length) {
      box.replaceChildren(html("p", "none-found", "Nobody wrote a note."));
      countRows(box, this.page.part("notes-count"));
      return;
    }
    box.replaceChildren(
      ...notes.map((note) => {
        const at_s = note.at_s;
        const head = html("b", "", note.at);
        const row = at_s === null ? html("p", "noted") : button("", () => this.visit(at_s), "noted");
        row.append(head, words(" " + note.text), html("small", "", note.remark ? ` (${note.remark})` : ""));
        return row;
      }),
    );
    countRows(box, this.page.part("notes-count"));
  }

  /** Says at which time a note would stand. @param {string} at */
  renderPlace(at) {
    if (this.note) setText(this.page.part("note-label"), "Note at " + at);
  }

  /** @param {number} at_s */
  visit(at_s) {
    const { page } = this;
    const [from, to] = page.view || [0, page.opened.length_s];
    page.head = clamp(at_s, 0, page.opened.length_s);
    page.show(at_s - (to - from) * 0.3, at_s + (to - from) * 0.7);
  }

  /** @param {SubmitEvent} event */
  async submit(event) {
    event.preventDefault();
    event.stopPropagation();
    const { note, page } = this;
    const text = note?.value.trim();
    if (!note || !text || !page.opened) {
      note?.focus();
      return;
    }
    setText(this.fault, "");
    const request = { recording: page.name, kind: "note", text, at_s: toMilli(page.head) };
    try {
      await sendRequest(request, page.signal);
      note.value = "";
      /* A recorder takes a note within a moment; without one it stands there already. */
      page.after("noted", page.opened.live ? LIVE_AFTER_MS : 0, () => page.refresh());
    } catch (fault) {
      setText(this.fault, fault.message);
    }
  }
}
