"""Codes in words: enumerations with masks, bit flags, and where a code begins to mean another.

A statusword changes with every move; its *meaning* changes seldom. Both come from the same names,
so that events, pages and commands show the same words. Pure.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.bench.code_names import parse_code

__all__ = ["UNKNOWN_CODE", "CodeTable", "code_table"]

UNKNOWN_CODE: Final = "unknown"
_FLAG_ID_SHIFT: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeTable:
    """The names and flags of one code."""

    names: tuple[tuple[int, int, str], ...]
    """(code, mask, name); the first that fits is meant."""
    flags: tuple[tuple[int, str], ...]
    """(bit, name)"""
    bits: int
    signed: bool = False

    def meaning_numbers(self, raw: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return a number for each raw value, equal where two mean the same.

        Without names and flags that is the value itself.
        """
        if not self.names and not self.flags:
            return raw
        meaning_ids = np.zeros(len(raw), np.int64)
        if self.names:
            number = np.full(len(raw), len(self.names), np.int64)
            for name_index, (code, mask, _) in reversed(list(enumerate(self.names))):
                number[(raw & mask) == code] = name_index
            meaning_ids = number << _FLAG_ID_SHIFT
            flag_bits = sum(1 << bit for bit, _ in self.flags)
        else:
            # A bit that has no name is a fault all the same.
            flag_bits = (1 << self.bits) - 1
        return meaning_ids | (raw & flag_bits)

    def describe_code(self, raw: int) -> str:
        """Return the words of a code; "" where no bit is set, or nothing is named."""
        words = [self.name_of(raw)] if self.names else []
        words += [name for bit, name in self.flags if raw >> bit & 1]
        if self.flags and not self.names:
            named_bits = {bit for bit, _ in self.flags}
            words += [
                f"bit {bit}" for bit in range(self.bits) if raw >> bit & 1 and bit not in named_bits
            ]
        return ", ".join(words)

    def name_of(self, raw: int) -> str:
        """Return the name of a code, apart from its flags; `UNKNOWN_CODE` where it has none."""
        return next((name for code, mask, name in self.names if raw & mask == code), UNKNOWN_CODE)

    def format_code(self, raw: int) -> str:
        """Return a code as people write it: 0x0237, or -3."""
        return f"{raw}" if raw < 0 else f"0x{raw:0{(self.bits + 3) // 4}X}"

    def label(self, raw: int) -> str:
        """Return a code with its words: "operation enabled (0x0237)"."""
        words = self.describe_code(raw)
        return f"{words} ({self.format_code(raw)})" if words else self.format_code(raw)


def code_table(
    names: Mapping[str, str], flags: Mapping[str, str], *, bits: int, signed: bool = False
) -> CodeTable:
    """Return the codes that a layout's `names` and `flags` describe."""
    full = (1 << bits) - 1
    parsed_names = []
    for written, name in names.items():
        code, mask = parse_code(written)
        parsed_names.append(
            (code, -1 if mask is None and signed else full if mask is None else mask, name)
        )
    return CodeTable(
        names=tuple(parsed_names),
        flags=tuple(sorted((int(bit), name) for bit, name in flags.items())),
        bits=bits,
        signed=signed,
    )
