"""Identifiers as a layout file writes them: a number, or a sum with the joint's node.

`0x280`, `0x280 + node`, `0x280 + node * 4`, `(node << 5) | 0x09`. Pure.
"""

import re
from typing import Annotated, Final

from pydantic import AfterValidator

from logger.errors import InputError
from logger.settings_file import SettingError

__all__ = [
    "MAX_EXTENDED_ID",
    "MAX_STANDARD_ID",
    "Identifier",
    "exact_mask",
    "format_id",
    "identifier_for",
]

MAX_STANDARD_ID: Final = 0x7FF
MAX_EXTENDED_ID: Final = 0x1FFFFFFF

_IDENTIFIER_NUMBER = r"(?:0[xX][0-9a-fA-F]+|[0-9]+)"
_IDENTIFIER_TERM = re.compile(
    rf"(?P<number>{_IDENTIFIER_NUMBER})|node(?:\s*(?P<sign>\*|<<)\s*(?P<step>{_IDENTIFIER_NUMBER}))?"
    rf"|\(\s*node\s*(?P<sign_>\*|<<)\s*(?P<step_>{_IDENTIFIER_NUMBER})\s*\)"
)
_TERM_JOINER = re.compile(r"\s*(?P<joint>[+|])\s*")
_MAX_SHIFT: Final = 28


def _parse_terms(written: str) -> list[tuple[str, str, int]]:
    """Return (how it is joined, "number" or "*" or "<<", number) of each term; ValueError."""
    terms = []
    end_offset, joiner = 0, "+"
    while True:
        term = _IDENTIFIER_TERM.match(written, end_offset)
        if term is None:
            raise ValueError(written)
        number = term["number"]
        if number is not None:
            terms.append((joiner, "number", _parse_number(number)))
        else:
            step = _parse_number(term["step"] or term["step_"] or "1")
            sign = term["sign"] or term["sign_"] or "*"
            if sign == "<<" and step > _MAX_SHIFT:
                raise ValueError(written)
            terms.append((joiner, sign, step))
        end_offset = term.end()
        if end_offset == len(written):
            return terms
        is_continuation = _TERM_JOINER.match(written, end_offset)
        if is_continuation is None:
            raise ValueError(written)
        end_offset, joiner = is_continuation.end(), is_continuation["joint"]


def _check_identifier(text: str | int) -> str:
    written = str(text).strip()
    try:
        _parse_terms(written)
    except ValueError:
        raise SettingError(
            "",
            found=f"{written!r}",
            expected=(
                "an identifier such as 0x280, '0x280 + node', '0x280 + node * 4' "
                "or '(node << 5) | 0x09'"
            ),
        ) from None
    return written


Identifier = Annotated[str | int, AfterValidator(_check_identifier)]


def exact_mask(*, extended: bool) -> int:
    """Return the mask that leaves no bit of an identifier open."""
    return MAX_EXTENDED_ID if extended else MAX_STANDARD_ID


def identifier_for(written: str | int, node: int, *, extended: bool, where: str) -> int:
    """Return the identifier that `written` ("0x280 + node") gives for a node.

    Terms are joined from left to right.

    Raises
    ------
    InputError
        It cannot be read, or the result does not fit 11 (or 29) bits.
    """
    try:
        terms = _parse_terms(str(written).strip())
    except ValueError:
        raise InputError(
            f"{where}: found {written!r}, expected an identifier such as 0x280."
        ) from None
    number = 0
    for joint, sign, step in terms:
        term = step if sign == "number" else node * step if sign == "*" else node << step
        number = number + term if joint == "+" else number | term
    highest = exact_mask(extended=extended)
    if number > highest:
        hint = "" if extended else " Set extended = true for a 29-bit identifier."
        raise InputError(
            f"{where}: {written!r} gives 0x{number:X} for node {node}, expected at most "
            f"0x{highest:X}.{hint}"
        )
    return number


def format_id(number: int, *, extended: bool) -> str:
    """Return an identifier as people write it: 0x2C3, 0x0CF00400."""
    return f"0x{number:08X}" if extended else f"0x{number:03X}"


def _parse_number(digits: str) -> int:
    return int(digits, 16 if digits.lower().startswith("0x") else 10)
