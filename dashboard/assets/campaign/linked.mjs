// @ts-check
/* Parts of the campaign's picture that lead to Replay, and how wide words are in it. */
import { svg } from "../dom.mjs";

/** So wide are words, about. @param {string} text @param {number} size */
export function textWidth(text, size) {
  return text.length * size * 0.54;
}

/**
 * A link within the picture, named for screen readers.
 * @param {string} href
 * @param {string} said
 * @param {SVGElement[]} parts
 */
export function linked(href, said, parts) {
  const link = svg(href ? "a" : "g", href ? { href, "aria-label": said } : {});
  link.append(svg("title", {}, said), ...parts);
  return link;
}
