"""Small pictures as a camera writes them: with where, by what and how it was held."""

import base64
import struct
import zlib
from typing import Final

__all__ = ["JPEG", "PNG", "camera_jpeg", "jpeg_part", "png_part", "told_png"]

JPEG: Final = base64.b64decode(
    "/9j/4AAQSkZJRgABAQAAAQABAAD/2wBDAFA3PEY8MlBGQUZaVVBfeMiCeG5uePWvuZHI////////////////////"
    "////////////////////////////////2wBDAVVaWnhpeOuCguv/////////////////////////////////////"
    "////////////////////////////////////wAARCAAIABADASIAAhEBAxEB/8QAFQABAQAAAAAAAAAAAAAAAAAA"
    "AAT/xAAYEAEAAwEAAAAAAAAAAAAAAAAAFGOi4f/EABQBAQAAAAAAAAAAAAAAAAAAAAD/xAAUEQEAAAAAAAAAAAAA"
    "AAAAAAAA/9oADAMBAAIRAxEAPwBAtz1aAP/Z"
)
"""16 x 8 pixels with nothing beside them."""
PNG: Final = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAIAAAACCAYAAABytg0kAAAADUlEQVR4AWJigAI4AwAAAP//Y0HangAAAAZJREFU"
    "AwAASAAFuIFDmQAAAABJRU5ErkJggg=="
)


def jpeg_part(marker: int, body: bytes) -> bytes:
    """Return one part of a JPEG."""
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def camera_jpeg(told: bytes, *, orientation: int = 6, order: str = "<") -> bytes:
    """Return the JPEG with `told` wherever a camera or a person may write."""
    mark = b"II*\0" if order == "<" else b"MM\0*"
    tiff = mark + struct.pack(f"{order}IH", 8, 2)
    tiff += struct.pack(f"{order}HHIHH", 0x0112, 3, 1, orientation, 0)
    tiff += struct.pack(f"{order}HHII", 0x010F, 2, len(told), 38) + struct.pack(f"{order}I", 0)
    small = JPEG[20:]
    return b"".join(
        (
            JPEG[:20],
            jpeg_part(0xE1, b"Exif\0\0" + tiff + told),
            jpeg_part(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + told),
            jpeg_part(0xE2, b"MPF\0" + told),
            jpeg_part(0xE9, told),
            jpeg_part(0xFE, told),
            small,
            told,
            JPEG,
        )
    )


def png_part(name: bytes, body: bytes) -> bytes:
    """Return one part of a PNG."""
    checksum = zlib.crc32(name + body)
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", checksum)


def told_png(told: bytes) -> bytes:
    """Return the PNG with `told` in its texts and behind its end."""
    texts = (png_part(b"tEXt", b"Comment\0" + told), png_part(b"eXIf", told))
    return b"".join((PNG[:33], *texts, png_part(b"prVt", told), PNG[33:], told))
