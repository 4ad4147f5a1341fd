"""Finds texts of figures that lie over each other or leave their figure, as a browser drew them."""

from playwright.sync_api import Page

__all__ = ["text_overlaps"]

_SCRIPT = """
() => {
  const found = [];
  const how = { visibilityProperty: true, opacityProperty: true };
  const seen = (element) => element.checkVisibility(how);
  const all = '.sheet, .lane-row .trace, .ladder-picture, .campaign-picture, .js-plotly-plot';
  const figures = [...document.querySelectorAll(all)]
    .filter((figure) => seen(figure) && !figure.parentElement.closest(all));
  for (const figure of figures) {
    const box = figure.getBoundingClientRect();
    if (!box.width) continue;
    const texts = [];
    for (const text of figure.querySelectorAll('text')) {
      if (!seen(text) || !text.textContent.trim()) continue;
      const lines = [...text.querySelectorAll('tspan.line')];
      for (const line of lines.length ? lines : [text]) {
        const { left, right, top, bottom, height } = line.getBoundingClientRect();
        if (!height || !line.textContent.trim()) continue;
        /* A line's box is taller than its letters. */
        const rim = 0.2 * height;
        texts.push({ words: line.textContent.trim(), left: left + 1, right: right - 1,
          top: top + rim, bottom: bottom - rim });
      }
    }
    for (const control of document.querySelectorAll('.sheet-head button, .sheet-head .end')) {
      const edge = control.getBoundingClientRect();
      /* The underline of the one that is pressed lies below it. */
      for (const one of texts)
        if (edge.width && one.left < edge.right && edge.left < one.right
            && one.top < edge.bottom + 3 && edge.top < one.bottom)
          found.push(`"${one.words}" over the control "${control.textContent}"`);
    }
    const name = figure.id || figure.parentElement.id || figure.className;
    texts.forEach((one, i) => {
      if (one.left < box.left - 2 || one.right > box.right + 2 || one.top < box.top - 2
          || one.bottom > box.bottom + 2)
        found.push(`${name}: "${one.words}" leaves the figure`);
      for (const other of texts.slice(i + 1))
        if (one.left < other.right && other.left < one.right && one.top < other.bottom
            && other.top < one.bottom)
          found.push(`${name}: "${one.words}" over "${other.words}"`);
    });
  }
  const root = document.documentElement;
  if (root.scrollWidth > root.clientWidth)
    found.push(`the page is ${root.scrollWidth} px wide on a screen of ${root.clientWidth}`);
  for (const button of document.querySelectorAll('header.masthead button')) {
    const { right, width } = button.getBoundingClientRect();
    if (width && right > innerWidth) found.push(`"${button.textContent}" is off the screen`);
  }
  return found;
}
"""


def text_overlaps(page: Page) -> list[str]:
    """Return each text over another, past its figure or off the screen, in words; none is right."""
    found: list[str] = page.evaluate(_SCRIPT)
    return found
