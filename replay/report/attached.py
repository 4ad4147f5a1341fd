"""The files that are attached to recordings, and the pictures of them that a report may show.

A picture is shown only if its bytes are those that were attached, and it is a JPEG or PNG from
beginning to end. Of the others name, time and why not are told. Reads the disk.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logger.outside_text import open_regular
from logger.store.layout.attachment import Attachment, MediaType, media_type_of
from logger.store.reading.attachments import AttachmentState, content_path, read_attachments
from replay.recording import Recording
from replay.report.bare_picture import NoPictureError, bare_picture

__all__ = ["MOST_PICTURE_BYTES", "AttachedFile", "Picture", "WhyNot", "read_attached"]

MOST_PICTURE_BYTES: Final = 4_400_000
"""Of all pictures of a report together: as text that is a third more, below 6 MB."""


_EXTRA_BYTES: Final = 1 << 20
"""What a camera may write beside a picture; of longer files only the beginning is read."""
_BEGINNING_BYTES: Final = 16


class WhyNot(StrEnum):
    """Why a file is not shown."""

    NO_PICTURE = "not a JPEG or PNG picture"
    DAMAGED = "damaged, or far too many pixels"
    GONE = "gone from the disk"
    CHANGED = "changed since it was attached"
    NO_ROOM = "too large for this report"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture as it may be shown."""

    media_type: MediaType
    content: bytes
    """Nothing but the picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttachedFile:
    """One file that is attached to a recording."""

    recording: str
    """Name of its folder."""
    attachment: Attachment
    picture: Picture | None
    why_not: WhyNot | None
    """Why there is no picture of it."""


def read_attached(
    recordings: Iterable[Recording], most_bytes: int = MOST_PICTURE_BYTES
) -> tuple[AttachedFile, ...]:
    """Return the files of recordings in order of these and of their times.

    The smallest pictures are taken first, as many as `most_bytes` hold.
    """
    stored = [(opened, one) for opened in recordings for one in read_attachments(opened.path)]
    read: dict[int, Picture | WhyNot] = {}
    left = most_bytes
    for at in sorted(range(len(stored)), key=lambda at: stored[at][1].attachment.size):
        opened, one = stored[at]
        found = read[at] = _picture_of(opened, one.attachment, one.state, left)
        if isinstance(found, Picture):
            left -= len(found.content)
    return tuple(
        AttachedFile(
            recording=opened.path.name,
            attachment=one.attachment,
            picture=found if isinstance(found := read[at], Picture) else None,
            why_not=found if isinstance(found, WhyNot) else None,
        )
        for at, (opened, one) in enumerate(stored)
    )


def _picture_of(
    recording: Recording, attachment: Attachment, state: AttachmentState, most_bytes: int
) -> Picture | WhyNot:
    if state is AttachmentState.CHANGED:
        return WhyNot.CHANGED
    if state is AttachmentState.GONE:
        return WhyNot.GONE
    try:
        with open_regular(content_path(recording.path, attachment)) as file:
            content = file.read(_BEGINNING_BYTES)
            if media_type_of(content) is MediaType.OTHER:
                return WhyNot.NO_PICTURE
            if attachment.size > most_bytes + _EXTRA_BYTES:
                return WhyNot.NO_ROOM
            content += file.read(attachment.size)
    except OSError:
        return WhyNot.GONE
    if hashlib.sha256(content).hexdigest() != attachment.sha256:
        return WhyNot.CHANGED
    try:
        kind, bare = bare_picture(content)
    except NoPictureError:
        return WhyNot.DAMAGED
    if len(bare) > most_bytes:
        return WhyNot.NO_ROOM
    return Picture(media_type=kind, content=bare)
