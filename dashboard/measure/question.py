"""What the Measure page asks: kind, joint, typed readings and marked spans. Pure.

The page holds the measurement in its address, and sends it with each question: the server keeps
nothing of it. Several of a kind stand in one text, with a semicolon between them, as the command
takes them: `loop1=12.3..45.6;loop2=60.1..`, each end in seconds since the recording's start. A span
without an end is still open.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Final

from pydantic import BaseModel, Field

from logger.arrays import to_ns
from logger.errors import InputError
from replay.measure.evidence import NamedSpan
from replay.measure.procedure import Procedure
from replay.measure.procedures.by_name import PROCEDURES

__all__ = ["AskedMeasurement", "MarkedSpan", "MeasureFields"]

MAX_TEXT_CHARS: Final = 12_000
MAX_ITEMS: Final = 300
MAX_S: Final = 400 * 86400.0
_SPAN: Final = re.compile(
    r"([a-z][a-z0-9_-]{0,39})=(\d{1,9}(?:\.\d{1,9})?)s?\.\.(?:(\d{1,9}(?:\.\d{1,9})?)s?)?"
)
Text = Annotated[str, Field(max_length=MAX_TEXT_CHARS)]


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedSpan:
    """A span that was marked on the page, in s since the recording's start."""

    name: str
    begin_s: float
    end_s: float | None
    """None: still open."""

    def named(self, start_ns: int, now_ns: int) -> NamedSpan:
        """Return it as a named span; an open one ends now."""
        end_ns = now_ns if self.end_s is None else start_ns + to_ns(self.end_s)
        return NamedSpan(name=self.name, start_ns=start_ns + to_ns(self.begin_s), end_ns=end_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedMeasurement:
    """A measurement as it stands on the page; can be compared and remembered."""

    kind: str
    joint: str
    way: str
    readings: tuple[str, ...]
    divisions: tuple[tuple[str, str], ...]
    channels: tuple[tuple[str, str], ...]
    spans: tuple[MarkedSpan, ...]

    @property
    def procedure(self) -> Procedure:
        """What the kind asks for."""
        return PROCEDURES[self.kind]

    @property
    def reading_names(self) -> tuple[str, ...]:
        """The name of each reading."""
        return tuple(one.partition("=")[0].strip() for one in self.readings)

    @property
    def has_open_span(self) -> bool:
        """Whether a span is still open."""
        return any(one.end_s is None for one in self.spans)

    @property
    def is_empty(self) -> bool:
        """Whether nothing was typed or marked yet."""
        return not self.readings and not self.spans


class MeasureFields(BaseModel):
    """A measurement as it is sent."""

    kind: Annotated[str, Field(max_length=40)] = ""
    joint: Annotated[str, Field(max_length=200)] = ""
    way: Annotated[str, Field(max_length=40)] = ""
    readings: Text = ""
    divisions: Text = ""
    channels: Text = ""
    spans: Text = ""

    def asked(self, joint: str) -> AskedMeasurement:
        """Return the measurement of a joint.

        Raises
        ------
        InputError
            It is none of the kinds, or a text is not what the page sends.
        """
        if self.kind not in PROCEDURES:
            raise InputError(
                where="kind", found=repr(self.kind), expected=f"one of {', '.join(PROCEDURES)}"
            )
        return AskedMeasurement(
            kind=self.kind,
            joint=joint,
            way=self.way,
            readings=tuple(_items(self.readings, "readings")),
            divisions=tuple(_pairs(self.divisions, "divisions")),
            channels=tuple(_pairs(self.channels, "channels")),
            spans=tuple(_span(one) for one in _items(self.spans, "spans")),
        )


def _items(text: str, where: str) -> list[str]:
    items = [one.strip() for one in text.split(";") if one.strip()]
    if len(items) > MAX_ITEMS:
        raise InputError(where=where, found=f"{len(items)}", expected=f"at most {MAX_ITEMS}")
    return items


def _pairs(text: str, where: str) -> Iterator[tuple[str, str]]:
    for one in _items(text, where):
        name, equals, value = (part.strip() for part in one.partition("="))
        if not name or not equals or not value:
            raise InputError(where=where, found=repr(one), expected="NAME=VALUE")
        yield name, value


def _span(text: str) -> MarkedSpan:
    match = _SPAN.fullmatch(text)
    if match is None:
        raise InputError(
            where="spans", found=repr(text[:80]), expected="NAME=FROM..TO in s, such as loop1=3..63"
        )
    begin_s, end_s = float(match[2]), float(match[3]) if match[3] else None
    if begin_s > MAX_S or (end_s is not None and not begin_s < end_s <= MAX_S):
        raise InputError(
            where=f"span {match[1]}",
            found=f"an end at {match[3] or begin_s} s",
            expected="an end after its begin",
        )
    return MarkedSpan(name=match[1], begin_s=begin_s, end_s=end_s)
