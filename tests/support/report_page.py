"""A report as a reader has it: tables, text, elements; parsed by the standard library."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

EMPTY = {"meta", "br", "hr", "img"}


@dataclass
class Element:
    """One element, with what it says."""

    tag: str
    attributes: dict[str, str]
    text: str = ""
    depth: int = 0


@dataclass
class ReportPage(HTMLParser):
    """Elements in order of their ends; `tables`: rows of cells; every text as it is read."""

    elements: list[Element] = field(default_factory=list)
    tables: list[list[list[str]]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[Element] = []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        """See HTMLParser."""
        made = Element(tag, {name: value or "" for name, value in attrs})
        if tag in EMPTY:
            self.elements.append(made)
            return
        self._open.append(made)
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])

    def handle_endtag(self, tag: str) -> None:
        """See HTMLParser."""
        if not self._open or self._open[-1].tag != tag:
            self.faults.append(f"</{tag}> at {self.getpos()}")
            return
        ended = self._open.pop()
        self.elements.append(ended)
        if self._open and ended.tag not in {"style", "title", "desc", "script"}:
            self._open[-1].text += ended.text
        if tag in {"td", "th"}:
            self.tables[-1][-1].append(" ".join(ended.text.split()))

    def handle_data(self, data: str) -> None:
        """See HTMLParser."""
        if self._open:
            self._open[-1].text += data

    def all_of(self, tag: str) -> list[Element]:
        """Return the elements of a tag."""
        return [one for one in self.elements if one.tag == tag]

    def table_with(self, *heads: str) -> list[list[str]]:
        """Return the rows of the one table whose first row holds these heads."""
        found = [table for table in self.tables if set(heads) <= set(table[0])]
        assert len(found) == 1, f"{len(found)} tables with {heads}"
        return found[0]


def read_report(html: str) -> ReportPage:
    """Return a report, parsed to its end."""
    page = ReportPage()
    page.feed(html)
    page.close()
    assert not page._open, page._open
    return page
