"""What a frame says of itself: its checksum and its counter. Pure.

A checksum shows that bits of a frame were damaged on the way or in an adapter, beyond what the
checksum of the bus sees; a counter that skips shows that frames were lost, wherever that was.
"""

from typing import Annotated, Final, Literal

from pydantic import Field, model_validator

from logger.joint.bench.value import BitPosition
from logger.settings_file import SettingError, Settings

__all__ = ["Checksum", "FrameCounter"]

MAX_COUNTER_BITS: Final = 32
_Byte = Annotated[int, Field(ge=0, le=0xFF)]


class Checksum(Settings):
    """A byte that follows from others of its frame."""

    byte: int = Field(ge=0, le=63)
    method: Literal["xor", "sum", "negative-sum", "crc8"]
    """Negative sum: the two's complement, with which the bytes add up to nothing."""
    polynomial: _Byte | None = None
    """Of a CRC, without its highest term, the highest bit first: x^8 + x^4 + x^3 + x^2 + 1 is
    0x1D."""
    reflected: bool = False
    """The lowest bit of each byte goes first, in and out."""
    initial: _Byte = 0
    final_xor: _Byte = 0
    covers: tuple[int, int] | None = None
    """The first and the last byte that it covers, itself left out; left away: all others."""

    @model_validator(mode="after")
    def _check_method(self) -> "Checksum":
        is_crc = self.method == "crc8"
        if is_crc and self.polynomial is None:
            raise SettingError("polynomial", found="none", expected="that of the CRC, such as 0x1D")
        if not is_crc and (self.polynomial is not None or self.reflected):
            key = "polynomial" if self.polynomial is not None else "reflected"
            raise SettingError(
                key, found=f"it beside method = {self.method!r}", expected='it for "crc8" only'
            )
        if is_crc and self.polynomial is not None and not self.polynomial & 1:
            raise SettingError(
                "polynomial",
                found=f"0x{self.polynomial:02X}",
                expected="an odd number: the term 1 belongs to it",
            )
        if self.covers is not None and not 0 <= self.covers[0] <= self.covers[1]:
            raise SettingError(
                "covers", found=f"{list(self.covers)}", expected="the first byte, then the last"
            )
        return self

    def covered_bytes(self, length: int) -> tuple[int, ...]:
        """Return the bytes that it covers in a frame of `length` bytes, in order."""
        first, last = self.covers or (0, length - 1)
        return tuple(byte for byte in range(first, last + 1) if byte != self.byte)


class FrameCounter(BitPosition):
    """A field that goes on by the same step from each frame to the next."""

    bits: int = Field(ge=2, le=MAX_COUNTER_BITS)
    signed: Literal[False] = False
    step: int = 1
    restarts_at: int | None = Field(default=None, gt=2)
    """Where it starts again at 0; left away: when its bits are full."""
    across_kinds: bool = False
    """It counts all kinds of frames of its identifier together."""

    @model_validator(mode="after")
    def _check_steps(self) -> "FrameCounter":
        if not self.step % 2 or abs(self.step) >= 1 << self.bits:
            # An even step never comes to half of the numbers: the lowest bit is no part of it.
            raise SettingError(
                "step", found=str(self.step), expected=f"an odd number that {self.bits} bits hold"
            )
        if self.restarts_at is None:
            return self
        if self.restarts_at > 1 << self.bits:
            raise SettingError(
                "restarts_at",
                found=str(self.restarts_at),
                expected=f"at most {1 << self.bits}, which {self.bits} bits hold",
            )
        if self.step not in {1, -1}:
            raise SettingError(
                "restarts_at", found=f"it beside step = {self.step}", expected="it with step = 1"
            )
        return self

    @property
    def modulus(self) -> int:
        """After how many steps of one it starts again."""
        return self.restarts_at or 1 << self.bits
