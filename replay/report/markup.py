"""Elements of HTML and SVG, put together so that no text from outside becomes markup. Pure.

What `element` makes is `Markup`, and only that goes into another element as it is: every other text
is escaped, in contents as in attributes. A name that says `<script>` is read as these letters.
"""

import html
from typing import Final

from logger.outside_text import printable

__all__ = ["NOTHING", "Markup", "element", "joined", "text_of", "with_code"]

_EMPTY: Final = frozenset({"meta", "br", "hr", "img"})
"""Elements of HTML that have no end."""


class Markup(str):
    """A text that is markup already."""

    __slots__ = ()


NOTHING: Final = Markup("")


def text_of(text: str) -> Markup:
    """Return a text as markup: escaped, characters that steer a terminal or a line shown."""
    return text if isinstance(text, Markup) else Markup(html.escape(printable(text), quote=True))


def joined(*parts: str) -> Markup:
    """Return texts and elements one after the other."""
    return Markup("".join(text_of(part) for part in parts))


def element(tag: str, *content: str, **attributes: str | float) -> Markup:
    """Return an element.

    Parameters
    ----------
    content
        Elements, and texts that are escaped.
    attributes
        `class_` is class, `aria_label` is aria-label. Numbers are written with at most two digits
        after the point: hundredths of a pixel are enough for a figure.
    """
    written = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{text_of(_attribute_text(value))}"'
        for name, value in attributes.items()
    )
    if tag in _EMPTY:
        return Markup(f"<{tag}{written}>")
    return Markup(f"<{tag}{written}>{joined(*content)}</{tag}>")


def with_code(text: str) -> Markup:
    """Return a text in which what stands in backticks is code."""
    parts = text.split("`")
    if len(parts) % 2 == 0:
        return text_of(text)
    return joined(*(element("code", one) if at % 2 else one for at, one in enumerate(parts)))


def _attribute_text(value: str | float) -> str:
    return value if isinstance(value, str) else f"{round(value, 2):g}"
