// @ts-check
/* The files that were attached to a recording: each is handed on as a download, and leads to its time. */
import { button, html, words } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").AttachmentRow} AttachmentRow */

const AROUND_S = 5;

/**
 * Lists the files; the list is not there where a recording has none.
 * @param {import("./page.mjs").ReplayPage} page
 * @param {AttachmentRow[]} rows
 */
export function renderAttachments(page, rows) {
  page.part("attached").hidden = !rows.length;
  page.part("attachments").replaceChildren(...rows.map((row) => attachmentLine(page, row)));
}

/** @param {import("./page.mjs").ReplayPage} page @param {AttachmentRow} row */
function attachmentLine(page, row) {
  const { name, at_s, at, size, who, address, state } = row;
  const said = [at_s === null ? at : "", size, who, state].filter(Boolean).join(", ");
  const line = html("p", "attachment", [fileName(name, address), html("small", "", ` ${said} `)]);
  if (at_s !== null) {
    const visit = button(at, () => visitTime(page, at_s), "plain");
    visit.setAttribute("aria-label", `Show ${at}, the time of ${name}`);
    line.append(visit);
  }
  return line;
}

/** @param {string} name @param {string} address empty for a file that is not there */
function fileName(name, address) {
  if (!address) return html("b", "", [words(name)]);
  const link = html("a", "", [words(name)]);
  Object.assign(link, { href: address, download: name });
  return link;
}

/** @param {import("./page.mjs").ReplayPage} page @param {number} at_s */
function visitTime(page, at_s) {
  page.moveHead(at_s);
  page.show(at_s - AROUND_S, at_s + AROUND_S);
}
