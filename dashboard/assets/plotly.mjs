// @ts-check
/* Plotly, once it is there. The import map of the index gives its address; the file is no module but sets a
   global, which this turns into what the pages wait for. */

/** @type {Promise<any>} */
export const plotly = import("plotly").then(() => /** @type {any} */ (globalThis).Plotly);

/** A figure that only shows: what moves over it is drawn by the pages themselves. */
export const STILL = { displayModeBar: false, staticPlot: true };
