"""A photograph or document that belongs to a recording: what is known of it, and what it may be.

Nothing of it is ever executed or shown as a page: its name is a name and no path, and what it is
called beside its bytes follows from its first bytes alone. Pure.
"""

import unicodedata
from enum import StrEnum
from typing import Final, Literal

from pydantic import Field, field_validator

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS
from logger.settings_file import Settings

__all__ = [
    "MAX_ATTACHMENTS",
    "MAX_ATTACHMENT_BYTES",
    "Attachment",
    "MediaType",
    "is_attachment_name",
    "media_type_of",
]

MAX_ATTACHMENT_BYTES: Final = 32 << 20
MAX_ATTACHMENTS: Final = 1000
"""Of one recording that are listed."""
_MAX_NAME: Final = 120


class MediaType(StrEnum):
    """What the bytes of an attachment are, by their beginning; a picture may be shown as one."""

    PNG = "image/png"
    JPEG = "image/jpeg"
    OTHER = "application/octet-stream"


class Attachment(Settings):
    """One file that was attached, without its bytes."""

    format: Literal[1] = 1
    id: str = Field(pattern=r"^[0-9a-f]{32}$")
    name: str = Field(max_length=_MAX_NAME)
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    size: int = Field(ge=0, le=MAX_ATTACHMENT_BYTES)
    time_ns: int = Field(ge=TIME_MIN_NS, le=TIME_MAX_NS)
    """When that was which it shows."""
    made_ns: int = Field(ge=TIME_MIN_NS, le=TIME_MAX_NS)
    """When it was attached."""
    who: str = Field(default="", max_length=80)

    @field_validator("name")
    @classmethod
    def _is_name(cls, name: str) -> str:
        if not is_attachment_name(name):
            raise ValueError("a name of a file, without folder")
        return name


def is_attachment_name(name: str) -> bool:
    """Return whether a text is the name of a file: no path, not hidden, nothing that steers."""
    return (
        0 < len(name) <= _MAX_NAME
        and not name.startswith(".")
        and name == name.strip()
        and not set(name) & set('/\\:*?"<>|')
        and not any(unicodedata.category(letter) in {"Cc", "Cf", "Cs"} for letter in name)
    )


def media_type_of(beginning: bytes) -> MediaType:
    """Return what bytes are that begin so; a name has no say in it."""
    if beginning.startswith(b"\x89PNG\r\n\x1a\n"):
        return MediaType.PNG
    if beginning.startswith(b"\xff\xd8\xff"):
        return MediaType.JPEG
    return MediaType.OTHER
