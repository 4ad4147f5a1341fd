"""A frame as a person types or pastes it -> identifier and payload. Pure.

As frames are shown, "0x2C3 41 00 10", identifier and bytes as one word or apart. An identifier
above 7FF, or written with eight hex digits, is a 29-bit one. Read as well: a line of SocketCAN's
text logs ("2C3#410010", of 29 bits "000002C3#41", of CAN FD "2C3##1" and the bytes), with whatever
stands before it. What is no frame is answered in a sentence.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.errors import InputError
from logger.joint.batch import CLASSIC_BYTES, PAYLOAD_LENGTHS
from logger.joint.bench.identifiers import MAX_EXTENDED_ID, MAX_STANDARD_ID, exact_mask

__all__ = ["TypedFrame", "parse_typed_frame", "parse_typed_frames"]

_ID_AND_BYTES: Final = re.compile(
    r"(?P<identifier>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<fd>#[0-9A-Fa-f])?(?P<payload>[0-9A-Fa-f]*)"
)

_EIGHT_DIGITS: Final = re.compile(r"0[xX][0-9A-Fa-f]{8}")


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedFrame:
    """A frame that was typed by hand."""

    identifier: int
    extended: bool
    fd: bool
    data: bytes


def parse_typed_frames(words: Sequence[str], *, extended: bool = False) -> tuple[TypedFrame, ...]:
    """Return the frames of a command line: ID and BYTES, or one or more words with both.

    Raises
    ------
    InputError
        A frame cannot be read, or there is none.
    """
    tokens = " ".join(words).split()
    if any("#" in token for token in tokens):
        return tuple(_frame_of_token(token) for token in tokens if "#" in token)
    if words and len(words[0].split()) > 1:
        parted = [word.split(maxsplit=1) for word in words]
    elif len(words) > 1:
        parted = [[words[0], " ".join(words[1:])]]
    else:
        parted = [list(words)]
    if any(len(parts) < 2 for parts in parted):
        raise InputError(
            "BYTES: found none, expected bytes in hex after the identifier, such as 0x2C3 '41 00 "
            "10', '' for none; or each frame as one word, such as '0x2C3 41 00 10'."
        )
    return tuple(
        parse_typed_frame(identifier, payload, extended=extended) for identifier, payload in parted
    )


def parse_typed_frame(identifier: str, payload: str, *, extended: bool = False) -> TypedFrame:
    """Return the frame of an identifier and of bytes in hex.

    Parameters
    ----------
    identifier, payload
        As a person writes them.
    extended
        The identifier has 29 bits, however it is written.

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
    if not 0 <= number <= MAX_EXTENDED_ID:
        raise InputError(
            f"ID: found {identifier}, expected 0 to 0x{MAX_STANDARD_ID:X}, or a 29-bit one up to "
            f"0x{MAX_EXTENDED_ID:X}."
        )
    data = _payload_bytes(payload)
    return TypedFrame(
        identifier=number,
        extended=extended or number > MAX_STANDARD_ID or bool(_EIGHT_DIGITS.fullmatch(identifier)),
        fd=len(data) > CLASSIC_BYTES,
        data=data,
    )


def _frame_of_token(token: str) -> TypedFrame:
    match = _ID_AND_BYTES.fullmatch(token)
    if match is None:
        raise InputError(
            f"ID#BYTES: found {token!r}, expected 3 hex digits of an 11-bit identifier or 8 of a "
            "29-bit one, # and bytes in hex, such as 2C3#410010."
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
        raise InputError(f"BYTES: found {payload!r}, expected up to 64 bytes in hex: '41 00 10'.")
    data = bytes.fromhex(compact)
    if len(data) not in PAYLOAD_LENGTHS:
        raise InputError(
            f"BYTES: found {len(data)} bytes, expected a length that CAN has: 0 to 8, and with CAN "
            "FD 12, 16, 20, 24, 32, 48 or 64."
        )
    return data
