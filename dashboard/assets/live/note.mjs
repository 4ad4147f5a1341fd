// @ts-check
/* The box of a note on the Live page; none where nothing may be written. */
import { byId, html } from "../dom.mjs";

/**
 * Puts the box into its form.
 * @param {import("../page.mjs").Page} page
 * @param {(request: object) => Promise<boolean>} send tells whether it was written
 * @returns {HTMLInputElement | null}
 */
export function addNoteBox(page, send) {
  const place = document.getElementById("live-note-place");
  if (!place) return null;
  const note = html("input");
  note.id = "live-note";
  note.maxLength = 500;
  note.autocomplete = "off";
  note.placeholder = "what you just did or saw";
  place.replaceChildren(note);
  const submit = (/** @type {SubmitEvent} */ event) => {
    event.preventDefault();
    event.stopPropagation();
    const text = note.value.trim();
    if (text) send({ kind: "note", text }).then((isWritten) => isWritten && (note.value = ""));
    else note.focus();
  };
  /* In the capture phase: Dash would send the form itself. */
  page.listen(byId("live-note-form"), "submit", submit, { capture: true });
  return note;
}
