"""The match of a frame kind: identifier, bus, distinguishing fields, length. Pure.

Computed from the bench; also decides whether one received frame could match two kinds.
"""

from dataclasses import dataclass, field
from typing import Final

from logger.joint.bench.frame_checks import Checksum, FrameCounter
from logger.joint.bench.identifiers import exact_mask, identifier_for
from logger.joint.bench.layout import Frame

__all__ = ["MAX_PAYLOAD_BYTES", "FrameMatch", "frame_match"]

MAX_PAYLOAD_BYTES: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameMatch:
    """The conditions of a frame of one kind."""

    bus: int
    extended: bool
    identifier: int
    mask: int
    bits: bytes
    """The bits of the payload that distinguish the kind, from the first byte on."""
    expected: bytes
    """The value of those bits; 0 elsewhere."""
    length: int
    """Bytes that it has at least."""
    max_length: int = MAX_PAYLOAD_BYTES
    """Bytes that it has at most."""
    checksum: Checksum | None = field(default=None, compare=False)
    counter: FrameCounter | None = field(default=None, compare=False)
    period_s: float | None = field(default=None, compare=False)
    """How often it comes, where the layout says so."""

    @property
    def is_complete(self) -> bool:
        """Whether no bit of the identifier is open."""
        return self.mask == exact_mask(extended=self.extended)

    @property
    def distinguishing_bytes(self) -> tuple[int, ...]:
        """The bytes of the payload that distinguish the kind."""
        return tuple(byte_index for byte_index, byte in enumerate(self.bits) if byte)

    def overlaps(self, other: "FrameMatch") -> bool:
        """Whether one frame could be of both kinds."""
        shared_bits = self.mask & other.mask
        return (
            self.bus == other.bus
            and self.extended == other.extended
            and self.identifier & shared_bits == other.identifier & shared_bits
            and self.length <= other.max_length
            and other.length <= self.max_length
            and all(
                (own_content ^ other_content) & mask & its_mask == 0
                for own_content, other_content, mask, its_mask in zip(
                    self.expected, other.expected, self.bits, other.bits, strict=False
                )
            )
        )


def frame_match(frame: Frame, *, node: int, bus: int, where: str) -> FrameMatch:
    """Return the match of a frame of a joint; InputError where its identifier is too big."""
    mask = exact_mask(extended=frame.extended) if frame.mask is None else frame.mask
    number = identifier_for(frame.identifier, node, extended=frame.extended, where=where)
    required = frame.required_bits
    width = max((byte for byte, _ in required), default=-1) + 1
    bits, content = bytearray(width), bytearray(width)
    for (byte, bit), value in required.items():
        bits[byte] |= 1 << bit
        content[byte] |= value << bit
    return FrameMatch(
        bus=bus,
        extended=frame.extended,
        identifier=number & mask,
        mask=mask,
        bits=bytes(bits),
        expected=bytes(content),
        length=max(frame.length, width),
        max_length=frame.length if frame.exact_length else MAX_PAYLOAD_BYTES,
        checksum=frame.checksum,
        counter=frame.counter,
        period_s=frame.period_s,
    )
