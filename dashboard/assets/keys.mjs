// @ts-check
/* Keys: which are for the page, and the dialog that lists them. */

/** Whether a key is not for the page: somebody types, or a dialog stands before it. @param {KeyboardEvent} event */
export function isTyping(event) {
  const at = /** @type {any} */ (event.target);
  if (document.querySelector("dialog[open]")) return true;
  if (!at) return false;
  if (at.tagName === "INPUT") return at.type !== "range";
  return at.tagName === "TEXTAREA" || at.tagName === "SELECT" || Boolean(at.isContentEditable);
}

/** Whether a key is one for the page, pressed alone or with Shift. @param {KeyboardEvent} event */
export function isPageKey(event) {
  return !isTyping(event) && !event.ctrlKey && !event.metaKey && !event.altKey;
}

/** Opens and closes the list of keys. */
export function startKeys() {
  const dialog = () => /** @type {HTMLDialogElement | null} */ (document.getElementById("keys"));
  document.addEventListener("click", (event) => {
    const at = /** @type {Element} */ (event.target);
    if (at.closest("#keys-open")) dialog()?.showModal();
    if (at.closest("#keys-close")) dialog()?.close();
  });
  document.addEventListener("keydown", (event) => {
    const keys = event.key === "?" ? dialog() : null;
    if (keys?.open) keys.close();
    else if (keys && !isTyping(event)) keys.showModal();
  });
}
