// @ts-check
/* Plotly, once it is there. The import map of the index gives its address; the file is no module but sets a
   global, which this turns into what the pages wait for. */

/** @type {Promise<any>} */
export const plotly = import("plotly").then(() => /** @type {any} */ (globalThis).Plotly);

/** A figure that only shows: what moves over it is drawn by the pages themselves. */
export const STILL = { displayModeBar: false, staticPlot: true };

/** The newest drawing on each element. @type {WeakMap<Element, Promise<unknown>>} */
const drawings = new WeakMap();

/** @param {Element} plot @param {Promise<unknown>} drawing */
function remember(plot, drawing) {
  drawings.set(
    plot,
    drawing.catch(() => {}),
  );
  return drawing;
}

/** Draws a figure on an element. @param {Element} plot @param {any} figure @param {object} how */
export function drawPlot(plot, { data, layout }, how) {
  return remember(
    plot,
    plotly.then((loaded) => loaded.react(plot, data, layout, how)),
  );
}

/**
 * The same at once, for whoever has waited for plotly and draws in a frame of the screen.
 * @param {Element} plot
 * @param {any} figure
 * @param {object} how
 */
export function drawLoadedPlot(plot, { data, layout }, how) {
  const { Plotly } = /** @type {any} */ (globalThis);
  return remember(plot, Promise.resolve(Plotly.react(plot, data, layout, how)));
}

/** Takes a figure away once what is being drawn on it is done: plotly fails in the middle. @param {Element} plot */
export async function purgePlot(plot) {
  await drawings.get(plot);
  (await plotly).purge(plot);
}
