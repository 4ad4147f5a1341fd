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
from logger.joint.batch import CLASSIC_BYTES, PAYLOAD_LENGTHS
from logger.joint.bench.identifiers import exact_mask

__all__ = ["TypedFrame", "parse_typed_frame", "parse_typed_frames"]

_ID_AND_BYTES: Final = re.compile(
    r"(?P<identifier>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<fd>#[0-9A-Fa-f])?(?P<payload>[0-9A-Fa-f]*)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedFrame:
    """A frame that was typed by hand."""

    identifier: int
    extended: bool
    fd: bool
    data: bytes


def parse_typed_frames(words: Sequence[str], *, extended: bool = False) -> tuple[TypedFrame, ...]:
    """Return the frames of a command line: ID and BYTES, or one or more of ID#BYTES.

    Raises
    ------
    InputError
        A frame cannot be read, or there is none.
    """
    tokens = " ".join(words).split()
    if any("#" in token for token in tokens):
        return tuple(_frame_of_token(token) for token in tokens if "#" in token)
    if len(words) < 2:
        raise InputError(
            "BYTES: found none, expected bytes in hex after the identifier, such as '48 18 1F', "
            "'' for none; or frames such as 2C3#48181F."
        )
    identifier, *payload = words
    return (parse_typed_frame(identifier, " ".join(payload), extended=extended),)


def parse_typed_frame(identifier: str, payload: str, *, extended: bool = False) -> TypedFrame:
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
    max_bytes = exact_mask(extended=extended)
    if not 0 <= number <= max_bytes:
        hint = "" if extended or number < 0 else " A 29-bit identifier wants --extended."
        raise InputError(f"ID: found {identifier}, expected 0 to 0x{max_bytes:X}.{hint}")
    data = _payload_bytes(payload)
    return TypedFrame(identifier=number, extended=extended, fd=len(data) > CLASSIC_BYTES, data=data)


def _frame_of_token(token: str) -> TypedFrame:
    match = _ID_AND_BYTES.fullmatch(token)
    if match is None:
        raise InputError(
            f"ID#BYTES: found {token!r}, expected 3 hex digits of an 11-bit identifier or 8 of a "
            "29-bit one, # and bytes in hex, such as 2C3#48181F."
        )
    written = match["identifier"]
    extended = len(written) > 3
    number = int(written, 16)
    if number > exact_mask(extended=extended):
        raise InputError(
            f"ID#BYTES: found {token!r}, expected at most {exact_mask(extended=extended):X} "
            "before the #."
        )
    data = _payload_bytes(match["payload"])
    return TypedFrame(
        identifier=number,
        extended=extended,
        fd=match["fd"] is not None or len(data) > CLASSIC_BYTES,
        data=data,
    )


def _payload_bytes(payload: str) -> bytes:
    compact = re.sub(r"[\s:,]", "", payload)
    if not re.fullmatch(r"([0-9a-fA-F]{2}){0,64}", compact):
        raise InputError(f"BYTES: found {payload!r}, expected up to 64 bytes in hex: '48 18 1F'.")
    data = bytes.fromhex(compact)
    if len(data) not in PAYLOAD_LENGTHS:
        raise InputError(
            f"BYTES: found {len(data)} bytes, expected a length that CAN has: 0 to 8, and with CAN "
            "FD 12, 16, 20, 24, 32, 48 or 64."
        )
    return data
