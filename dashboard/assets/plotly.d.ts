/* Plotly's address stands in the import map of the index; the file sets a global and exports nothing. */
declare module "plotly";
