"""A photograph with nothing but its picture: no place, no device, no text, nothing behind its end.

A JPEG or PNG is known by its bytes, walked from part to part, and written anew of the parts that
draw it (ITU-T T.81, Annex B; PNG 1.2, 4 and 5, by their public descriptions). The pixels are not
decoded. What a camera says of how it was held is kept, so that it stands upright. Pure.
"""

import re
import struct
import zlib
from collections.abc import Iterator
from typing import Final

from logger.store.layout.attachment import MediaType, media_type_of

__all__ = ["MOST_PIXELS", "NoPictureError", "bare_picture"]

MOST_PIXELS: Final = 120_000_000
"""More of them would cost whoever opens the report gigabytes."""
_MOST_PARTS: Final = 100_000

_START_OF_SCAN: Final = 0xDA
_END: Final = 0xD9
_NO_FRAMES: Final = frozenset({0xC4, 0xC8, 0xCC})
"""Of 0xC0 to 0xCF those that do not begin a frame."""
_DRAWING: Final = frozenset({*range(0xC0, 0xD0), 0xDB, 0xDD}) - {0xC8}
"""Frames, tables, restart interval."""
_JFIF: Final = b"JFIF\0"
_EXIF: Final = b"Exif\0\0"
_KEPT: Final = {0xE2: b"ICC_PROFILE\0", 0xEE: b"Adobe"}
"""Applications' parts that say which colours are meant."""
_ORIENTATION: Final = 0x0112
_MARKER_IN_SCAN: Final = re.compile(rb"\xff[\x01-\xcf\xd8-\xfe]")
"""Fill bytes before it stay in the scan: a pattern of them would try a long run from each place."""
_PNG_DRAWING: Final = frozenset(
    {b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"sBIT"}
)


class NoPictureError(Exception):
    """Bytes that begin as a picture, and are none that is whole."""


def bare_picture(content: bytes) -> tuple[MediaType, bytes]:
    """Return what a picture is, and its bytes with nothing in them but the picture.

    Raises
    ------
    NoPictureError
        It is neither JPEG nor PNG, is damaged, or has far too many pixels.
    """
    kind = media_type_of(content)
    try:
        if kind is MediaType.PNG:
            return kind, _bare_png(content)
        if kind is MediaType.JPEG:
            return kind, _bare_jpeg(content)
    except (struct.error, IndexError):
        raise NoPictureError("it ends too early") from None
    raise NoPictureError("it is neither JPEG nor PNG")


def _check_size(width: int, height: int) -> None:
    if width == 0 or height == 0 or width * height > MOST_PIXELS:
        raise NoPictureError(f"it is {width} x {height} pixels")


def _bare_png(content: bytes) -> bytes:
    bare, at = [content[:8]], 8
    names: list[bytes] = []
    for _ in range(_MOST_PARTS):
        length, name = struct.unpack_from(">I4s", content, at)
        body = content[at + 8 : at + 8 + length]
        (checksum,) = struct.unpack_from(">I", content, at + 8 + length)
        if zlib.crc32(name + body) != checksum:
            raise NoPictureError("a checksum in it is wrong")
        if not names:
            if name != b"IHDR" or length != 13:
                raise NoPictureError("it has no header")
            _check_size(*struct.unpack_from(">II", body))
        names.append(name)
        if name in _PNG_DRAWING:
            bare.append(content[at : at + 12 + length])
        elif not name[0] & 0x20:
            raise NoPictureError("it has a part that is not known")
        if name == b"IEND":
            break
        at += 12 + length
    if names[-1] != b"IEND" or b"IDAT" not in names:
        raise NoPictureError("it has no picture in it")
    return b"".join(bare)


def _bare_jpeg(content: bytes) -> bytes:
    orientation, is_sized, has_scan = 1, False, False
    bare: list[bytes] = []
    for marker, body in _jpeg_parts(content):
        kept = body
        if marker == 0xE0 and body.startswith(_JFIF):
            # Without the small picture that may follow.
            kept = body[:12] + b"\0\0"
        elif marker == 0xE1 and body.startswith(_EXIF):
            orientation = _orientation(body[len(_EXIF) :])
            continue
        elif marker in _DRAWING or marker == _START_OF_SCAN:
            if 0xC0 <= marker <= 0xCF and marker not in _NO_FRAMES:
                height, width = struct.unpack_from(">HH", body, 1)
                _check_size(width, height)
                is_sized = True
        elif marker not in _KEPT or not body.startswith(_KEPT[marker]):
            continue
        if marker == _START_OF_SCAN:
            # The scan's own header states its length, what it draws follows it.
            has_scan = True
            bare.append(b"\xff\xda" + body)
        else:
            bare.append(struct.pack(">BBH", 0xFF, marker, len(kept) + 2) + kept)
    if not is_sized or not has_scan:
        raise NoPictureError("it has no picture in it")
    if orientation != 1:
        place = 1 if bare[0][1] == 0xE0 else 0
        bare.insert(place, _orientation_part(orientation))
    return b"".join((b"\xff\xd8", *bare, b"\xff\xd9"))


def _jpeg_parts(content: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield marker and body of each part until the end; of a scan its header and all it draws."""
    at = 2
    for _ in range(_MOST_PARTS):
        if content[at] != 0xFF:
            raise NoPictureError("its parts do not follow each other")
        while content[at] == 0xFF:
            at += 1
        marker = content[at]
        at += 1
        if marker == _END:
            return
        (length,) = struct.unpack_from(">H", content, at)
        end = at + length
        if length < 2 or end > len(content):
            raise NoPictureError("it ends too early")
        if marker != _START_OF_SCAN:
            yield marker, content[at + 2 : end]
            at = end
            continue
        found = _MARKER_IN_SCAN.search(content, end)
        if found is None:
            raise NoPictureError("it ends too early")
        yield marker, content[at : found.start()]
        at = found.start()
    raise NoPictureError("it has far too many parts")


def _orientation(tiff: bytes) -> int:
    """Return how the camera was held, 1 to 8; 1 where it does not say so."""
    order = {b"II": "<", b"MM": ">"}.get(tiff[:2])
    if order is None:
        return 1
    try:
        (first,) = struct.unpack_from(f"{order}I", tiff, 4)
        (count,) = struct.unpack_from(f"{order}H", tiff, first)
        for at in range(first + 2, first + 2 + 12 * count, 12):
            tag, kind, _, value = struct.unpack_from(f"{order}HHIH", tiff, at)
            if tag == _ORIENTATION and kind == 3 and 1 <= value <= 8:
                return int(value)
    except struct.error:
        pass
    return 1


def _orientation_part(orientation: int) -> bytes:
    """Return the part that says how the camera was held, and nothing else."""
    entry = struct.pack(">HHIHH", _ORIENTATION, 3, 1, orientation, 0)
    tiff = struct.pack(">2sHIH", b"MM", 42, 8, 1) + entry + struct.pack(">I", 0)
    body = _EXIF + tiff
    return struct.pack(">BBH", 0xFF, 0xE1, len(body) + 2) + body
