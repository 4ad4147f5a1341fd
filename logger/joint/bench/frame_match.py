"""What a frame must be to be of one kind: identifier, bus, fields that tell kinds apart, length.

Made from the bench; also tells whether one received frame could be taken for two kinds. Pure.
"""

from dataclasses import dataclass
from typing import Final

from logger.joint.bench.identifiers import full_mask, identifier_for
from logger.joint.bench.layout import Frame

__all__ = ["LONGEST", "Claim", "claim_of"]

LONGEST: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What a frame must be to be of one kind."""

    bus: int
    extended: bool
    identifier: int
    mask: int
    bits: bytes
    """Which bits of the payload tell the kind from others, from the first byte on."""
    content: bytes
    """What stands in them; 0 elsewhere."""
    length: int
    """Bytes that it has at least."""
    longest: int = LONGEST
    """Bytes that it has at most."""

    @property
    def whole(self) -> bool:
        """Whether no bit of the identifier is open."""
        return self.mask == full_mask(extended=self.extended)

    @property
    def told_by(self) -> tuple[int, ...]:
        """The bytes of the payload that tell the kind from others."""
        return tuple(place for place, byte in enumerate(self.bits) if byte)

    def meets(self, other: "Claim") -> bool:
        """Whether one frame could be of both kinds."""
        both = self.mask & other.mask
        return (
            self.bus == other.bus
            and self.extended == other.extended
            and self.identifier & both == other.identifier & both
            and self.length <= other.longest
            and other.length <= self.longest
            and all(
                (mine ^ its) & mask & its_mask == 0
                for mine, its, mask, its_mask in zip(
                    self.content, other.content, self.bits, other.bits, strict=False
                )
            )
        )


def claim_of(frame: Frame, *, node: int, bus: int, where: str) -> Claim:
    """Return what a frame of a joint must be; raises InputError where its identifier is too big."""
    mask = full_mask(extended=frame.extended) if frame.mask is None else frame.mask
    number = identifier_for(frame.identifier, node, extended=frame.extended, where=where)
    required = frame.required
    width = max((byte for byte, _ in required), default=-1) + 1
    bits, content = bytearray(width), bytearray(width)
    for (byte, bit), value in required.items():
        bits[byte] |= 1 << bit
        content[byte] |= value << bit
    return Claim(
        bus=bus,
        extended=frame.extended,
        identifier=number & mask,
        mask=mask,
        bits=bytes(bits),
        content=bytes(content),
        length=max(frame.length, width),
        longest=frame.length if frame.exact_length else LONGEST,
    )
