"""A frame as a person types or pastes it -> identifier and payload. Pure.

Identifier and bytes apart ("0x283", "18 01 F4"), or together as SocketCAN's text logs write them
("283#1801F4", of 29 bits "00000283#18", of CAN FD "283##1" and the bytes), with whatever stands
before it in such a line. What is no frame is answered in a sentence.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.errors import InputError
from logger.joint.batch import CLASSIC_BYTES, LENGTHS
from logger.joint.bench.identifiers import full_mask

__all__ = ["TypedFrame", "typed_frame", "typed_frames"]

_TOGETHER: Final = re.compile(
    r"(?P<identifier>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<fd>#[0-9A-Fa-f])?(?P<payload>[0-9A-Fa-f]*)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedFrame:
    """A frame that somebody asks about."""

    identifier: int
    extended: bool
    fd: bool
    data: bytes


def typed_frames(words: Sequence[str], *, extended: bool = False) -> tuple[TypedFrame, ...]:
    """Return the frames of a command line: ID and BYTES, or one or more of ID#BYTES.

    Raises
    ------
    InputError
        A frame cannot be read, or there is none.
    """
    pieces = " ".join(words).split()
    if any("#" in piece for piece in pieces):
        return tuple(_together(piece) for piece in pieces if "#" in piece)
    if len(words) < 2:
        raise InputError(
            "BYTES: found none, expected bytes in hex after the identifier, such as '48 18 1F', "
            "'' for none; or frames such as 2C3#48181F."
        )
    identifier, *payload = words
    return (typed_frame(identifier, " ".join(payload), extended=extended),)


def typed_frame(identifier: str, payload: str, *, extended: bool = False) -> TypedFrame:
    """Return the frame of an identifier and of bytes in hex.

    Raises
    ------
    InputError
        One of them cannot be read.
    """
    try:
        number = int(identifier, 0)
    except ValueError:
        raise InputError(
            f"ID: found {identifier!r}, expected an identifier such as 0x2C3 or 707."
        ) from None
    most = full_mask(extended=extended)
    if not 0 <= number <= most:
        hint = "" if extended or number < 0 else " A 29-bit identifier wants --extended."
        raise InputError(f"ID: found {identifier}, expected 0 to 0x{most:X}.{hint}")
    data = _bytes(payload)
    return TypedFrame(identifier=number, extended=extended, fd=len(data) > CLASSIC_BYTES, data=data)


def _together(piece: str) -> TypedFrame:
    match = _TOGETHER.fullmatch(piece)
    if match is None:
        raise InputError(
            f"ID#BYTES: found {piece!r}, expected 3 hex digits of an 11-bit identifier or 8 of a "
            "29-bit one, # and bytes in hex, such as 2C3#48181F."
        )
    written = match["identifier"]
    extended = len(written) > 3
    number = int(written, 16)
    if number > full_mask(extended=extended):
        raise InputError(
            f"ID#BYTES: found {piece!r}, expected at most {full_mask(extended=extended):X} "
            "before the #."
        )
    data = _bytes(match["payload"])
    return TypedFrame(
        identifier=number,
        extended=extended,
        fd=match["fd"] is not None or len(data) > CLASSIC_BYTES,
        data=data,
    )


def _bytes(payload: str) -> bytes:
    compact = re.sub(r"[\s:,]", "", payload)
    if not re.fullmatch(r"([0-9a-fA-F]{2}){0,64}", compact):
        raise InputError(f"BYTES: found {payload!r}, expected up to 64 bytes in hex: '48 18 1F'.")
    data = bytes.fromhex(compact)
    if len(data) not in LENGTHS:
        raise InputError(
            f"BYTES: found {len(data)} bytes, expected a length that CAN has: 0 to 8, and with CAN "
            "FD 12, 16, 20, 24, 32, 48 or 64."
        )
    return data
