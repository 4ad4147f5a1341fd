// @ts-check
/* The shapes that stand for severities: an octagon, a triangle, a diamond. */
import { svg } from "./dom.mjs";

/**
 * The shape of a severity, centred.
 * @param {string} kind danger, abnormal or none
 * @param {number} x
 * @param {number} y
 * @param {number} size
 */
export function severityMark(kind, x, y, size) {
  const r = size / 2;
  if (kind === "danger") {
    const c = 0.42 * r;
    const p = [
      [-c, -r],
      [c, -r],
      [r, -c],
      [r, c],
      [c, r],
      [-c, r],
      [-r, c],
      [-r, -c],
    ];
    return svg("polygon", { class: "m-danger", points: p.map(([a, b]) => x + a + "," + (y + b)).join(" ") });
  }
  if (kind === "abnormal")
    return svg("polygon", {
      class: "m-abnormal",
      points: `${x},${y - r} ${x + r * 1.05},${y + r * 0.85} ${x - r * 1.05},${y + r * 0.85}`,
    });
  return svg("polygon", { class: "m-none", points: `${x},${y - r} ${x + r},${y} ${x},${y + r} ${x - r},${y}` });
}
