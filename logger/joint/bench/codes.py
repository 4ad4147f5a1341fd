"""Codes in words: enumerations with masks, bit flags, and where a code begins to mean another.

A statusword changes with every move; what it *means* changes seldom. Both are told from the same
names, so that what is said live, on a page and by a command is one. Pure.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.bench.value import code_of

__all__ = ["UNKNOWN", "Codes", "codes_of"]

UNKNOWN: Final = "unknown"
_FLAG_PLACE: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Codes:
    """The names and flags of one code."""

    names: tuple[tuple[int, int, str], ...]
    """(code, mask, name); the first that fits is meant."""
    flags: tuple[tuple[int, str], ...]
    """(bit, name)"""
    bits: int
    signed: bool = False

    def meaning(self, raw: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return a number for each raw value, equal where two mean the same.

        Without names and flags that is the value itself.
        """
        if not self.names and not self.flags:
            return raw
        meaning = np.zeros(len(raw), np.int64)
        if self.names:
            number = np.full(len(raw), len(self.names), np.int64)
            for place, (code, mask, _) in reversed(list(enumerate(self.names))):
                number[(raw & mask) == code] = place
            meaning = number << _FLAG_PLACE
            flagged = sum(1 << bit for bit, _ in self.flags)
        else:
            # A bit that has no name is a fault all the same.
            flagged = (1 << self.bits) - 1
        return meaning | (raw & flagged)

    def words(self, raw: int) -> str:
        """Return what a code means; "" where nothing is set or known of it."""
        said = []
        if self.names:
            said.append(
                next((name for code, mask, name in self.names if raw & mask == code), UNKNOWN)
            )
        said += [name for bit, name in self.flags if raw >> bit & 1]
        if self.flags and not self.names:
            known = {bit for bit, _ in self.flags}
            said += [
                f"bit {bit}" for bit in range(self.bits) if raw >> bit & 1 and bit not in known
            ]
        return ", ".join(said)

    def shown(self, raw: int) -> str:
        """Return a code as people write it: 0x0237, or -3."""
        return f"{raw}" if raw < 0 else f"0x{raw:0{(self.bits + 3) // 4}X}"

    def told(self, raw: int) -> str:
        """Return a code with its words: "operation enabled (0x0237)"."""
        words = self.words(raw)
        return f"{words} ({self.shown(raw)})" if words else self.shown(raw)


def codes_of(
    names: Mapping[str, str], flags: Mapping[str, str], *, bits: int, signed: bool = False
) -> Codes:
    """Return the codes that a layout's `names` and `flags` describe."""
    full = (1 << bits) - 1
    parsed = []
    for written, name in names.items():
        code, mask = code_of(written)
        parsed.append(
            (code, -1 if mask is None and signed else full if mask is None else mask, name)
        )
    return Codes(
        names=tuple(parsed),
        flags=tuple(sorted((int(bit), name) for bit, name in flags.items())),
        bits=bits,
        signed=signed,
    )
