// @ts-check
/* The button that copies a link to the view. */
import { setText } from "../dom.mjs";

const LINK_TEXT = "Copy a link to this view";
const SAID_MS = 2000;

/** @param {HTMLElement} button @param {string} path of the view, as the address bar has it */
export async function copyLink(button, path) {
  let text = "The address bar holds it";
  try {
    await navigator.clipboard.writeText(location.origin + path);
    text = "Copied";
  } catch {
    /* Only a page over HTTPS or of this machine has a clipboard. */
  }
  setText(button, text);
  setTimeout(() => setText(button, LINK_TEXT), SAID_MS);
}
