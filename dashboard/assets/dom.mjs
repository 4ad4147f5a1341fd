// @ts-check
/* What every page is made of: elements with their content, texts that are set where they are others. */

const SVG = "http://www.w3.org/2000/svg";

/**
 * An HTML element with a class and its content: a text, or a list of parts.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} name
 * @param {string} [cls]
 * @param {string | (Node | string)[]} [content]
 * @returns {HTMLElementTagNameMap[K]}
 */
export function html(name, cls, content) {
  const element = document.createElement(name);
  if (cls) element.className = cls;
  if (Array.isArray(content)) element.append(...content);
  else if (content !== undefined) element.textContent = content;
  return element;
}

/**
 * An SVG element with its attributes and text.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} name
 * @param {Record<string, string | number>} attributes
 * @param {string} [text]
 * @returns {SVGElementTagNameMap[K]}
 */
export function svg(name, attributes, text) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  if (text !== undefined) element.textContent = text;
  return element;
}

/** A piece of plain text. @param {string} text */
export function words(text) {
  return document.createTextNode(text);
}

/** The unit behind a number. @param {string} text */
export function unitLabel(text) {
  return html("i", "u", text);
}

/**
 * A button that does something.
 * @param {string} text
 * @param {() => void} does
 * @param {string} [cls]
 */
export function button(text, does, cls = "") {
  const element = html("button", cls, text);
  element.onclick = does;
  return element;
}

/** The element of that id; that there is one is the page's own promise. @param {string} id */
export function byId(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`the page has no #${id}`);
  return found;
}

/**
 * The first element below `root` that a selector names.
 * @param {ParentNode} root
 * @param {string} selector
 * @returns {HTMLElement}
 */
export function find(root, selector) {
  const found = root.querySelector(selector);
  if (!found) throw new Error(`the page has no ${selector}`);
  return /** @type {HTMLElement} */ (found);
}

/**
 * All elements below `root` that a selector names.
 * @param {ParentNode} root
 * @param {string} selector
 * @returns {HTMLElement[]}
 */
export function findAll(root, selector) {
  return [...root.querySelectorAll(selector)].map((one) => /** @type {HTMLElement} */ (one));
}

/** Sets a text where it is another. @param {Element | null} element @param {string} text */
export function setText(element, text) {
  if (element && element.textContent !== text) element.textContent = text;
}

/** @param {number} value @param {number} low @param {number} high */
export function clamp(value, low, high) {
  return Math.min(Math.max(value, low), high);
}

/**
 * Puts new parts into a box only where they show something else: a reader's place and focus stay.
 * @param {HTMLElement} box
 * @param {unknown} fact what is shown
 * @param {() => (Node | string)[]} parts makes what shows it
 */
export function renderFact(box, fact, parts) {
  const key = JSON.stringify(fact);
  if (box.dataset.is === key) return;
  box.dataset.is = key;
  box.replaceChildren(...parts());
}

/** A sentence whose `commands` are set as such. @param {string} text */
export function renderSentence(text) {
  return html(
    "span",
    "",
    text.split("`").map((part, i) => (i % 2 ? html("code", "", part) : words(part))),
  );
}

/** A line of a list with the mark of a state before it. @param {string} mark @param {(Node | string)[]} parts */
export function markedLine(mark, parts) {
  return html("li", "", [html("span", "mark " + mark), html("span", "", parts)]);
}

/**
 * What a page says of a question that was not answered.
 * @param {any} fault with `lost` where the server is
 * @param {string} lede what cannot be had, where the server is there
 * @param {string} [again] what is done about a server that is lost
 */
export function faultNote(fault, lede, again = "Trying again by itself.") {
  const texts = fault.lost ? ["The server cannot be reached.", again] : [lede, fault.message];
  const said = html("div", "said", [html("b", "", texts[0]), " ", texts[1]]);
  return html("div", "notice-line", [html("span", "mark none"), said]);
}

/**
 * What a page without recordings says: a sentence, and commands that help.
 * @param {string} lede
 * @param {[string, string][]} commands words and the command
 */
export function emptyPage(lede, commands) {
  const steps = commands.map(([what, command]) =>
    html("li", "", [html("span", "words", what), html("code", "", command)]),
  );
  return [html("p", "lede", lede), html("ul", "steps", steps)];
}

/** Whether a click wants another tab or window, which is the browser's business. @param {MouseEvent} event */
export function opensElsewhere(event) {
  return event.ctrlKey || event.metaKey || event.shiftKey || event.button !== 0;
}

/** Counts drawings on the element, for whoever waits for one. @param {HTMLElement} host */
export function countDrawing(host) {
  host.dataset.drawn = String(Number(host.dataset.drawn || 0) + 1);
}

/**
 * Hands a text to the reader as a file.
 * @param {string} text
 * @param {string} name
 * @param {string} type its media type
 */
export function saveText(text, name, type) {
  const link = html("a");
  link.href = URL.createObjectURL(new Blob([text], { type }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 5000);
}
