"""The pattern of a line that a microcontroller prints for each frame.

    {id} [{length}] {data}             2C3 [7] 41 00 10 ...
    {time:ms} ID={id:dec} D={data:dec} 81254 ID=707 D=65,0,16

A placeholder matches what changes, all else itself; a blank for any run of blanks. Pure.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from logger.errors import InputError
from logger.joint.batch import CLASSIC_BYTES, EXTENDED, FD, PAYLOAD_LENGTHS, REMOTE
from logger.joint.bench.identifiers import MAX_EXTENDED_ID, MAX_STANDARD_ID

__all__ = ["LinePattern", "ParsedLine", "compile_pattern"]

_PLACEHOLDER: Final = re.compile(r"\{(?P<name>[a-z]+)(?::(?P<how>[^{}]*))?\}")
_UNITS_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000}
_BYTE_SEPARATORS: Final = r" \t,:;._-"
_BYTE_SEPARATOR_RUN: Final = re.compile(rf"[{_BYTE_SEPARATORS}]+")
_BLANK_RUN: Final = re.compile(r"[ \t]+")
_MAX_WILDCARDS: Final = 2
_CLASSIC_DATA_BYTES: Final = 8
_MAX_BYTE: Final = 255
_MAX_STAMP_NS: Final = 2.0**61
"""A board's time beyond this is no time."""

_PLACEHOLDER_STYLES: Final[dict[str, tuple[str, ...]]] = {
    "id": ("hex", "dec"),
    "data": ("hex", "dec"),
    "length": ("",),
    "time": tuple(_UNITS_NS),
    "any": ("",),
}
"""Placeholder -> how it may be written; the first is the default."""
_DIGIT_PLACEHOLDERS: Final = frozenset(("id", "data", "length", "time"))
"""Placeholders that end where the text after them begins."""
_FLAG_PLACEHOLDERS: Final = {"extended": EXTENDED, "remote": REMOTE}
"""Placeholder of a text that may be missing -> what its presence says of the frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ParsedLine:
    """One frame as parsed from a line."""

    identifier: int
    flags: int
    data: bytes
    time_ns: int | None
    """The board's own time; None: the line has none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePattern:
    """How a line is read."""

    expression: "re.Pattern[str]"
    unit_ns: int | None
    """Of the board's time; None: lines have none."""
    base: int
    """Of the identifier: 16 or 10."""
    bytes_of: Callable[[str], bytes | None]

    def parse_line(self, line: str) -> ParsedLine | None:
        """Return the frame of a line, None when it has none."""
        if "  " in line or "\t" in line:
            # A run of blanks could be shared out among its neighbours in very many ways.
            line = _BLANK_RUN.sub(" ", line)
        match = self.expression.fullmatch(line)
        if match is None:
            return None
        fields = match.groupdict()
        digits = fields["id"]
        identifier = int(digits, self.base)
        is_extended = identifier > MAX_STANDARD_ID or (
            self.base == 16 and len(digits) == _CLASSIC_DATA_BYTES
        )
        flags = EXTENDED if is_extended else 0
        for mark, flag in _FLAG_PLACEHOLDERS.items():
            if fields.get(mark):
                flags |= flag
        if identifier > MAX_EXTENDED_ID:
            return None
        data = self.bytes_of(fields["data"])
        length_text = fields.get("length")
        if flags & REMOTE and not data:
            data = bytes(min(int(length_text or 0), CLASSIC_BYTES))
        if data is None or (length_text is not None and int(length_text) != len(data)):
            return None
        if len(data) > CLASSIC_BYTES:
            if len(data) not in PAYLOAD_LENGTHS:
                return None
            flags |= FD
        stamp = fields.get("time")
        if stamp is not None and float(stamp) * (self.unit_ns or 1) > _MAX_STAMP_NS:
            return None
        return ParsedLine(
            identifier=identifier,
            flags=flags,
            data=data,
            time_ns=None
            if stamp is None or self.unit_ns is None
            else round(float(stamp) * self.unit_ns),
        )


def compile_pattern(text: str) -> LinePattern:
    """Compile a pattern for lines that print frames.

    Raises
    ------
    InputError
        An unknown placeholder, one that is written twice, two that touch, or no {id} or {data};
        found, expected.
    """
    expression = ""
    seen_names: dict[str, str] = {}
    end_offset = 0
    literal = ""
    for holder in _PLACEHOLDER.finditer(text):
        expression += _literal_expression(text[end_offset : holder.start()])
        name, style = holder["name"], holder["how"]
        placeholder_text = holder[0]
        if holder.start() > end_offset:
            literal = ""
        if literal and name in _DIGIT_PLACEHOLDERS:
            raise InputError(
                f"pattern: found {literal} and {placeholder_text} with nothing between them, "
                "expected a blank or a text there: nothing tells where one ends."
            )
        # A mark may be missing: then its neighbours touch.
        literal = (
            placeholder_text
            if name in _DIGIT_PLACEHOLDERS
            else literal
            if name in _FLAG_PLACEHOLDERS
            else ""
        )
        end_offset = holder.end()
        if name in seen_names and name != "any":
            raise InputError(f"pattern: found {placeholder_text} twice, expected it once.")
        if name in _FLAG_PLACEHOLDERS:
            if not style:
                raise InputError(
                    f"pattern: found {placeholder_text}, expected the text that is printed "
                    f"there, such as {{{name}:x}}."
                )
            expression += f"(?P<{name}>{_literal_expression(style)})?"
        elif name in _PLACEHOLDER_STYLES:
            style = style or _PLACEHOLDER_STYLES[name][0]
            if style not in _PLACEHOLDER_STYLES[name]:
                style_names = " or ".join(
                    f"{{{name}:{style_name}}}" if style_name else f"{{{name}}}"
                    for style_name in _PLACEHOLDER_STYLES[name]
                )
                raise InputError(f"pattern: found {placeholder_text}, expected {style_names}.")
            expression += _placeholder_expression(name, style)
        else:
            known_text = ", ".join(
                f"{{{placeholder_name}}}"
                for placeholder_name in (*_PLACEHOLDER_STYLES, *_FLAG_PLACEHOLDERS)
            )
            raise InputError(f"pattern: found {placeholder_text}, expected one of {known_text}.")
        seen_names[name] = style
    expression += _literal_expression(text[end_offset:])
    if text.count("{any}") > _MAX_WILDCARDS:
        raise InputError(
            f"pattern: found {{any}} {text.count('{any}')} times, expected it at most "
            f"{_MAX_WILDCARDS} times: a line could be shared out among them in very many ways."
        )
    for name in ("id", "data"):
        if name not in seen_names:
            raise InputError(
                f"pattern: found {text!r}, which has no {{{name}}}; expected such as "
                "'{id} [{length}] {data}'."
            )
    return LinePattern(
        expression=re.compile(rf"[ \t]*{expression}[ \t]*"),
        unit_ns=_UNITS_NS[seen_names["time"]] if "time" in seen_names else None,
        base=16 if seen_names["id"] == "hex" else 10,
        bytes_of=_parse_hex_bytes if seen_names["data"] == "hex" else _parse_decimal_bytes,
    )


def _literal_expression(text: str) -> str:
    parts = re.split(r"([ \t]+)", text)
    return "".join(r"[ \t]+" if part.isspace() else re.escape(part) for part in parts if part)


def _placeholder_expression(name: str, style: str) -> str:
    if name == "any":
        return ".*?"
    if name == "length":
        return r"(?P<length>[0-9]{1,2})"
    if name == "time":
        return r"(?P<time>[0-9]{1,18}(?:\.[0-9]{1,9})?)"
    if name == "id":
        return r"(?:0[xX])?(?P<id>[0-9a-fA-F]{1,8})" if style == "hex" else r"(?P<id>[0-9]{1,9})"
    digits = "0-9a-fA-FxX" if style == "hex" else "0-9"
    return rf"(?P<data>[{digits}{_BYTE_SEPARATORS}]*)"


def _parse_hex_bytes(text: str) -> bytes | None:
    """Return bytes that are run together, or apart with one or two digits each."""
    words = [word for word in _BYTE_SEPARATOR_RUN.split(text) if word]
    if len(words) == 1 and len(words[0]) > 2 and words[0][:2] not in {"0x", "0X"}:
        words = [words[0][offset : offset + 2] for offset in range(0, len(words[0]), 2)]
        if len(words[-1]) != 2:
            return None
    return _bytes_of_words(words, 16)


def _parse_decimal_bytes(text: str) -> bytes | None:
    return _bytes_of_words([word for word in _BYTE_SEPARATOR_RUN.split(text) if word], 10)


def _bytes_of_words(words: list[str], base: int) -> bytes | None:
    try:
        numbers = [int(word, base) for word in words]
    except ValueError:
        return None
    return bytes(numbers) if all(number <= _MAX_BYTE for number in numbers) else None
