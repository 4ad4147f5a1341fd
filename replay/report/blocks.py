"""What a report's pages are built of: tables, lists, answers, marks of verdicts. Pure."""

from collections.abc import Iterable, Sequence
from typing import Final

from replay.heat.sentence import PartKind, SentencePart
from replay.report.markup import Markup, element, joined
from replay.sheet.verdict import Verdict

__all__ = ["answer", "bullets", "definitions", "heading", "table", "verdict_mark"]

_SHAPES: Final = {
    Verdict.CONFIRMED: ("M1.5,1.5H10.5V10.5H1.5Z", "#000"),
    Verdict.FALLS_SHORT: ("M6,1L11.2,10.5H0.8Z", "#000"),
    Verdict.NOT_PROVEN: ("M1.5,1.5H10.5V10.5H1.5Z", "#fff"),
    Verdict.NOT_COMPARABLE: ("M6,.8L11.2,6L6,11.2L.8,6Z", "#fff"),
    Verdict.NOT_MEASURED: ("M6,.8L11.2,6L6,11.2L.8,6Z", "#fff"),
}


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    caption: str = "",
    numbers: frozenset[int] = frozenset(),
    class_: str = "",
) -> Markup:
    """Return a table whose first column names its rows; nothing where it has none.

    `numbers`: the columns that are set to the right.
    """
    shown = [tuple(row) for row in rows]
    if not shown:
        return Markup("")

    def cell(tag: str, at: int, text: str, scope: str = "") -> Markup:
        attributes = {"class_": "n"} if at in numbers else {}
        if scope:
            attributes["scope"] = scope
        return element(tag, text, **attributes)

    body = [
        element(
            "tr",
            *(
                cell("th", at, text, "row") if at == 0 else cell("td", at, text)
                for at, text in enumerate(row)
            ),
        )
        for row in shown
    ]
    heads = [cell("th", at, text, "col") for at, text in enumerate(head)]
    made = element(
        "table",
        element("caption", caption) if caption else "",
        element("thead", element("tr", *heads)),
        element("tbody", *body),
        **({"class_": class_} if class_ else {}),
    )
    return element("div", made, class_="wide")


def heading(text: str, *, level: int) -> Markup:
    """Return the heading of a part, 2 or 3: they look alike, and no level is left out."""
    return element("h2", text, class_="part") if level == 2 else element(f"h{level}", text)


def bullets(lines: Iterable[str], *, numbered: bool = False) -> Markup:
    """Return a list; nothing where there are no lines."""
    shown = [element("li", line) for line in lines]
    return element("ol" if numbered else "ul", *shown) if shown else Markup("")


def definitions(pairs: Iterable[tuple[str, str]]) -> Markup:
    """Return names with what they are; those of nothing are left out."""
    shown = [joined(element("dt", name), element("dd", text)) for name, text in pairs if text]
    return element("dl", *shown) if shown else Markup("")


def answer(parts: Iterable[SentencePart], *, tag: str = "p") -> Markup:
    """Return a sentence: values set apart from words, units and intervals small."""
    shown: list[str] = []
    for part in parts:
        if part.kind is PartKind.UNIT:
            shown.append(element("span", f"\u00a0{part.text}", class_="of"))
        elif part.kind is PartKind.INTERVAL:
            shown.append(element("span", f" ({part.text})", class_="of"))
        elif part.kind is PartKind.WORDS:
            shown.append(part.text)
        else:
            shown.append(element("b", part.text))
    return element(tag, *shown, class_="answer")


def verdict_mark(verdict: Verdict) -> Markup:
    """Return the shape of a verdict: filled, hollow; nothing where none was claimed."""
    if verdict not in _SHAPES:
        return Markup("")
    path, fill = _SHAPES[verdict]
    shape = element("path", d=path, fill=fill, stroke="#000", stroke_width=1.4)
    return element("svg", shape, viewBox="0 0 12 12", aria_hidden="true")
