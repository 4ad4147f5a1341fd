// @ts-check
/* Where labels and ticks stand: pure layout. */

/**
 * Places at least `gap` apart, in the order of what is wanted, each as near to its own as that allows.
 * @param {number[]} wanted in any order
 * @param {number} gap
 * @param {number} [low]
 * @param {number} [high]
 * @returns {number[]}
 */
export function spreadLabels(wanted, gap, low, high) {
  const order = wanted.map((y, i) => [y, i]).sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  /** @type {{sum: number, n: number, items: number[], at: number}[]} */
  const groups = [];
  for (const [y, i] of order) {
    groups.push({ sum: y, n: 1, items: [i], at: y });
    for (;;) {
      const b = groups[groups.length - 1],
        a = groups[groups.length - 2];
      const half = (/** @type {{n: number}} */ g) => ((g.n - 1) * gap) / 2;
      if (!a || a.at + half(a) + gap <= b.at - half(b) + 1e-9) break;
      groups.pop();
      a.sum += b.sum;
      a.n += b.n;
      a.items = a.items.concat(b.items);
      a.at = a.sum / a.n;
    }
    for (const g of groups) {
      const half = ((g.n - 1) * gap) / 2;
      if (low !== undefined) g.at = Math.max(g.at, low + half);
      if (high !== undefined) g.at = Math.min(g.at, high - half);
    }
  }
  const places = new Array(wanted.length);
  for (const g of groups)
    g.items.forEach((i, k) => {
      places[i] = g.at + (k - (g.n - 1) / 2) * gap;
    });
  /* A group that was held back at the lower edge may have been pushed onto the one above it. */
  const inOrder = groups.flatMap((g) => g.items);
  for (let k = inOrder.length - 2; k >= 0; k--)
    places[inOrder[k]] = Math.min(places[inOrder[k]], places[inOrder[k + 1]] - gap);
  return places;
}

/**
 * A text that has room: in its middle what does not fit is left out, since names often differ at their end.
 * @param {string} text
 * @param {number} room
 * @param {(text: string) => number} widthOf
 */
export function fitText(text, room, widthOf) {
  if (widthOf(text) <= room) return text;
  const cut = (/** @type {number} */ kept) => {
    const head = text.slice(0, Math.ceil(kept / 2)).trimEnd();
    return head + "…" + text.slice(text.length - Math.floor(kept / 2)).trimStart();
  };
  let [low, high] = [0, text.length - 1];
  while (low < high) {
    const kept = Math.ceil((low + high) / 2);
    if (widthOf(cut(kept)) <= room) low = kept;
    else high = kept - 1;
  }
  return low > 1 ? cut(low) : "";
}

const STEPS = [
  0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200,
  14400, 21600, 43200, 86400, 172800, 604800,
];
/**
 * Round instants within [from, to], `room` pixels apart at least.
 * @param {number} from
 * @param {number} to
 * @param {number} width_px
 * @param {number} room_px
 */
export function timeTicks(from, to, width_px, room_px) {
  const least = ((to - from) / Math.max(1, width_px)) * room_px;
  const step = STEPS.find((s) => s >= least) || STEPS[STEPS.length - 1];
  const out = [];
  for (let k = Math.ceil(from / step - 1e-9) + 0; k * step <= to + step * 1e-6; k++) out.push(k * step);
  return { step, at: out };
}
