"""Checksums of one byte, over many payloads at once."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["POLYNOMIALS", "ChecksumPlan", "checksum_bytes", "plan_checksum"]

POLYNOMIALS = (0x07, 0x1D, 0x2F, 0x31, 0x39, 0x9B, 0xD5)


@dataclass(frozen=True, kw_only=True)
class ChecksumPlan:
    """A checksum and what it covers; see `ChecksumTruth`."""

    family: str
    identifier_form: str = ""
    """Which of the identifier comes first: "" for none of it, "low" for its lowest byte, else all
    of it, "little" or "big"."""
    polynomial: int = 0
    start: int = 0
    final_xor: int = 0
    is_reflected: bool = False
    left_out: int = 0
    """So many of the first bytes are not covered; negative: of the last."""
    byte: int = 0
    covered: tuple[int, ...] = ()

    def placed(self, byte: int, length: int) -> "ChecksumPlan":
        """Return the same checksum in a byte of a payload."""
        covered = [at for at in range(length) if at != byte]
        covered = covered[self.left_out :] if self.left_out >= 0 else covered[: self.left_out]
        return replace(self, byte=byte, covered=tuple(covered))

    def identifier_bytes(self, identifier: int, *, extended: bool) -> tuple[int, ...]:
        """Return the bytes of the identifier that it covers."""
        if not self.identifier_form:
            return ()
        if self.identifier_form == "low":
            return (identifier & 0xFF,)
        order = "little" if self.identifier_form == "little" else "big"
        return tuple(identifier.to_bytes(4 if extended else 2, order))


def plan_checksum(dice: np.random.Generator) -> ChecksumPlan:
    """Return the checksum of a drive, not yet in a payload."""
    family = str(dice.choice(["xor", "sum", "crc8"], p=[0.25, 0.25, 0.5]))
    choices = [0, 0xFF] if family == "crc8" else [0, 0, 0xFF, int(dice.integers(256))]
    final = 0
    if dice.random() < 0.35:
        final = int(dice.choice([0xFF, 0x55] if family == "crc8" else [0xFF]))
    return ChecksumPlan(
        family=family,
        identifier_form=str(dice.choice(["", "low", "little", "big"], p=[0.64, *[0.12] * 3])),
        polynomial=int(dice.choice(POLYNOMIALS)) if family == "crc8" else 0,
        start=int(dice.choice(choices)),
        final_xor=final,
        is_reflected=family == "crc8" and bool(dice.random() < 0.25),
        left_out=int(dice.choice([1, 2, -1, -2])) if dice.random() < 0.2 else 0,
    )


def checksum_bytes(
    plan: ChecksumPlan, data: NDArray[np.uint8], first_bytes: tuple[int, ...]
) -> NDArray[np.uint8]:
    """Return the checksum of each payload; `data` has the shape (n, length).

    `first_bytes` are those of the identifier.
    """
    columns = [np.full(len(data), byte, np.uint8) for byte in first_bytes]
    columns += [data[:, at] for at in plan.covered]
    result = np.full(len(data), plan.start, np.uint8)
    if plan.family == "crc8":
        table = _crc_table(plan.polynomial, is_reflected=plan.is_reflected)
        for column in columns:
            result = table[result ^ column]
    else:
        for column in columns:
            result = result ^ column if plan.family == "xor" else result + column
    return result ^ np.uint8(plan.final_xor)


@cache
def _crc_table(polynomial: int, *, is_reflected: bool) -> NDArray[np.uint8]:
    value = np.arange(256)
    if is_reflected:
        mirrored = int(f"{polynomial:08b}"[::-1], 2)
        for _ in range(8):
            value = np.where(value & 1, (value >> 1) ^ mirrored, value >> 1)
    else:
        for _ in range(8):
            value = np.where(value & 0x80, (value << 1) ^ polynomial, value << 1) & 0xFF
    return value.astype(np.uint8)
