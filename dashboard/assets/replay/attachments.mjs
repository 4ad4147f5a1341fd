// @ts-check
/* The files that were attached to a recording: each is handed on as a download, and leads to its time. */
import { button, html, setText, words } from "../dom.mjs";

/** @typedef {import("./answers.d.ts").AttachmentRow} AttachmentRow */

const AROUND_S = 5;
/* A list of fewer files is as long as it is. */
const FEW = 8;

/**
 * Lists the files; the list is not there where a recording has none.
 * @param {import("./page.mjs").ReplayPage} page
 * @param {AttachmentRow[]} rows
 */
export function renderAttachments(page, rows) {
  page.part("attached").hidden = !rows.length;
  const box = page.part("attachments");
  box.replaceChildren(...rows.map((row) => attachmentLine(page, row)));
  /* Links and buttons of each file stay stops of the Tab key: a download is none of the arrows. */
  box.className = rows.length > FEW ? "own-height many" : "";
  setText(page.part("attachments-count"), rows.length > FEW ? `${rows.length}` : "");
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
