"""The pattern of a line that a microcontroller prints for each frame.

    {id} [{length}] {data}             2C3 [7] 41 00 10 ...
    {time:ms} ID={id:dec} D={data:dec} 81254 ID=707 D=65,0,16

A placeholder stands for what changes, all else for itself; a blank for any run of blanks. Pure.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from logger.errors import InputError
from logger.joint.batch import CLASSIC_BYTES, EXTENDED, FD, LENGTHS, REMOTE
from logger.joint.bench.identifiers import EXTENDED_MOST, STANDARD_MOST

__all__ = ["LinePattern", "Printed", "pattern_of"]

_HOLDER: Final = re.compile(r"\{(?P<name>[a-z]+)(?::(?P<how>[^{}]*))?\}")
_UNITS_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000}
_GAPS: Final = r" \t,:;._-"
_BYTES: Final = re.compile(rf"[{_GAPS}]+")
_BLANKS: Final = re.compile(r"[ \t]+")
_ANY_MOST: Final = 2
_EIGHT: Final = 8
_BYTE_MOST: Final = 255
_LATEST_NS: Final = 2.0**61
"""A board's time beyond this is no time."""

_KNOWN: Final[dict[str, tuple[str, ...]]] = {
    "id": ("hex", "dec"),
    "data": ("hex", "dec"),
    "length": ("",),
    "time": tuple(_UNITS_NS),
    "any": ("",),
}
"""Placeholder -> how it may be written; the first is what is meant when nothing is said."""
_DIGITS: Final = frozenset(("id", "data", "length", "time"))
"""Placeholders whose ends are told by what stands behind them."""
_MARKS: Final = {"extended": EXTENDED, "remote": REMOTE}
"""Placeholder of a text that stands there, or does not -> what it says of the frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """One frame as a line tells it."""

    identifier: int
    flags: int
    data: bytes
    time_ns: int | None
    """The board's own time; None: the line tells none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePattern:
    """How a line is read."""

    expression: "re.Pattern[str]"
    unit_ns: int | None
    """Of the board's time; None: lines tell none."""
    base: int
    """Of the identifier: 16 or 10."""
    bytes_of: Callable[[str], bytes | None]

    def read(self, line: str) -> Printed | None:
        """Return the frame that a line tells, None when it tells none."""
        if "  " in line or "\t" in line:
            # A run of blanks could be shared out among its neighbours in very many ways.
            line = _BLANKS.sub(" ", line)
        match = self.expression.fullmatch(line)
        if match is None:
            return None
        found = match.groupdict()
        digits = found["id"]
        identifier = int(digits, self.base)
        wide = identifier > STANDARD_MOST or (self.base == 16 and len(digits) == _EIGHT)
        flags = EXTENDED if wide else 0
        for mark, flag in _MARKS.items():
            if found.get(mark):
                flags |= flag
        if identifier > EXTENDED_MOST:
            return None
        data = self.bytes_of(found["data"])
        told = found.get("length")
        if flags & REMOTE and not data:
            data = bytes(min(int(told or 0), CLASSIC_BYTES))
        if data is None or (told is not None and int(told) != len(data)):
            return None
        if len(data) > CLASSIC_BYTES:
            if len(data) not in LENGTHS:
                return None
            flags |= FD
        stamp = found.get("time")
        if stamp is not None and float(stamp) * (self.unit_ns or 1) > _LATEST_NS:
            return None
        return Printed(
            identifier=identifier,
            flags=flags,
            data=data,
            time_ns=None
            if stamp is None or self.unit_ns is None
            else round(float(stamp) * self.unit_ns),
        )


def pattern_of(text: str) -> LinePattern:
    """Return how lines are read that a pattern describes.

    Raises
    ------
    InputError
        An unknown placeholder, one that is written twice, two that touch, or no {id} or {data};
        found, expected.
    """
    expression = ""
    seen: dict[str, str] = {}
    place = 0
    before = ""
    for holder in _HOLDER.finditer(text):
        expression += _literal(text[place : holder.start()])
        name, how = holder["name"], holder["how"]
        shown = holder[0]
        if holder.start() > place:
            before = ""
        if before and name in _DIGITS:
            raise InputError(
                f"pattern: found {before} and {shown} with nothing between them, expected a blank "
                "or a text there: nothing tells where one ends."
            )
        # A mark may not stand there: what is around it touches.
        before = shown if name in _DIGITS else before if name in _MARKS else ""
        place = holder.end()
        if name in seen and name != "any":
            raise InputError(f"pattern: found {shown} twice, expected it once.")
        if name in _MARKS:
            if not how:
                raise InputError(
                    f"pattern: found {shown}, expected the text that stands there, such as "
                    f"{{{name}:x}}."
                )
            expression += f"(?P<{name}>{_literal(how)})?"
        elif name in _KNOWN:
            how = how or _KNOWN[name][0]
            if how not in _KNOWN[name]:
                ways = " or ".join(
                    f"{{{name}:{way}}}" if way else f"{{{name}}}" for way in _KNOWN[name]
                )
                raise InputError(f"pattern: found {shown}, expected {ways}.")
            expression += _expression(name, how)
        else:
            known = ", ".join(f"{{{one}}}" for one in (*_KNOWN, *_MARKS))
            raise InputError(f"pattern: found {shown}, expected one of {known}.")
        seen[name] = how
    expression += _literal(text[place:])
    if text.count("{any}") > _ANY_MOST:
        raise InputError(
            f"pattern: found {{any}} {text.count('{any}')} times, expected it at most "
            f"{_ANY_MOST} times: a line could be shared out among them in very many ways."
        )
    for name in ("id", "data"):
        if name not in seen:
            raise InputError(
                f"pattern: found {text!r}, which has no {{{name}}}; expected such as "
                "'{id} [{length}] {data}'."
            )
    return LinePattern(
        expression=re.compile(rf"[ \t]*{expression}[ \t]*"),
        unit_ns=_UNITS_NS[seen["time"]] if "time" in seen else None,
        base=16 if seen["id"] == "hex" else 10,
        bytes_of=_hex_bytes if seen["data"] == "hex" else _decimal_bytes,
    )


def _literal(text: str) -> str:
    parts = re.split(r"([ \t]+)", text)
    return "".join(r"[ \t]+" if part.isspace() else re.escape(part) for part in parts if part)


def _expression(name: str, how: str) -> str:
    if name == "any":
        return ".*?"
    if name == "length":
        return r"(?P<length>[0-9]{1,2})"
    if name == "time":
        return r"(?P<time>[0-9]{1,18}(?:\.[0-9]{1,9})?)"
    if name == "id":
        return r"(?:0[xX])?(?P<id>[0-9a-fA-F]{1,8})" if how == "hex" else r"(?P<id>[0-9]{1,9})"
    digits = "0-9a-fA-FxX" if how == "hex" else "0-9"
    return rf"(?P<data>[{digits}{_GAPS}]*)"


def _hex_bytes(text: str) -> bytes | None:
    """Return bytes that are run together, or apart with one or two digits each."""
    words = [word for word in _BYTES.split(text) if word]
    if len(words) == 1 and len(words[0]) > 2 and words[0][:2] not in {"0x", "0X"}:
        words = [words[0][at : at + 2] for at in range(0, len(words[0]), 2)]
        if len(words[-1]) != 2:
            return None
    return _together(words, 16)


def _decimal_bytes(text: str) -> bytes | None:
    return _together([word for word in _BYTES.split(text) if word], 10)


def _together(words: list[str], base: int) -> bytes | None:
    try:
        numbers = [int(word, base) for word in words]
    except ValueError:
        return None
    return bytes(numbers) if all(number <= _BYTE_MOST for number in numbers) else None
