"""Identifiers as a layout file writes them: a number, or a sum with the joint's node.

`0x280`, `0x280 + node`, `0x280 + node * 4`, `(node << 5) | 0x09`. Pure.
"""

import re
from typing import Annotated, Final

from pydantic import AfterValidator

from logger.errors import InputError

__all__ = [
    "EXTENDED_MOST",
    "STANDARD_MOST",
    "Identifier",
    "full_mask",
    "identifier_for",
    "named",
]

STANDARD_MOST: Final = 0x7FF
EXTENDED_MOST: Final = 0x1FFFFFFF

_NUMBER = r"(?:0[xX][0-9a-fA-F]+|[0-9]+)"
_TERM = re.compile(
    rf"(?P<number>{_NUMBER})|node(?:\s*(?P<sign>\*|<<)\s*(?P<step>{_NUMBER}))?"
    rf"|\(\s*node\s*(?P<sign_>\*|<<)\s*(?P<step_>{_NUMBER})\s*\)"
)
_JOINT = re.compile(r"\s*(?P<joint>[+|])\s*")
_LARGEST_SHIFT: Final = 28


def _terms(written: str) -> list[tuple[str, str, int]]:
    """Return (how it is joined, "number" or "*" or "<<", number) of each term; ValueError."""
    terms = []
    place, joint = 0, "+"
    while True:
        term = _TERM.match(written, place)
        if term is None:
            raise ValueError(written)
        number = term["number"]
        if number is not None:
            terms.append((joint, "number", _number(number)))
        else:
            step = _number(term["step"] or term["step_"] or "1")
            sign = term["sign"] or term["sign_"] or "*"
            if sign == "<<" and step > _LARGEST_SHIFT:
                raise ValueError(written)
            terms.append((joint, sign, step))
        place = term.end()
        if place == len(written):
            return terms
        follows = _JOINT.match(written, place)
        if follows is None:
            raise ValueError(written)
        place, joint = follows.end(), follows["joint"]


def _checked(text: str | int) -> str:
    written = str(text).strip()
    try:
        _terms(written)
    except ValueError:
        raise ValueError(
            f"found {written!r}, expected an identifier such as 0x280, '0x280 + node', "
            "'0x280 + node * 4' or '(node << 5) | 0x09'."
        ) from None
    return written


Identifier = Annotated[str | int, AfterValidator(_checked)]


def full_mask(*, extended: bool) -> int:
    """Return the mask that leaves no bit of an identifier open."""
    return EXTENDED_MOST if extended else STANDARD_MOST


def identifier_for(written: str | int, node: int, *, extended: bool, where: str) -> int:
    """Return the identifier that `written` ("0x280 + node") gives for a node.

    Terms are joined from left to right.

    Raises
    ------
    InputError
        It cannot be read, or the result does not fit 11 (or 29) bits.
    """
    try:
        terms = _terms(str(written).strip())
    except ValueError:
        raise InputError(
            f"{where}: found {written!r}, expected an identifier such as 0x280."
        ) from None
    number = 0
    for joint, sign, step in terms:
        term = step if sign == "number" else node * step if sign == "*" else node << step
        number = number + term if joint == "+" else number | term
    most = full_mask(extended=extended)
    if number > most:
        hint = "" if extended else " Set extended = true for a 29-bit identifier."
        raise InputError(
            f"{where}: {written!r} gives 0x{number:X} for node {node}, expected at most "
            f"0x{most:X}.{hint}"
        )
    return number


def named(number: int, *, extended: bool) -> str:
    """Return an identifier as people write it: 0x2C3, 0x0CF00400."""
    return f"0x{number:08X}" if extended else f"0x{number:03X}"


def _number(digits: str) -> int:
    return int(digits, 16 if digits.lower().startswith("0x") else 10)
