"""The attachments of a recording, and those whose bytes are gone or are others now."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from logger.errors import DutytraceError
from logger.outside_text import open_regular, parse_json, read_regular
from logger.store.layout.attachment import MAX_ATTACHMENTS, Attachment
from logger.store.layout.files import ATTACHMENTS_FOLDER
from logger.store.layout.manifest import iso_utc
from logger.store.layout.remote import Location
from logger.store.writing.attachment_files import ATTACHMENT_SUFFIX, CONTENT_SUFFIX

__all__ = [
    "AttachmentState",
    "StoredAttachment",
    "attachment_faults",
    "attachments_of_span",
    "content_path",
    "read_attachments",
]

_MAX_BYTES: Final = 4000


class AttachmentState(StrEnum):
    """What became of an attachment's bytes."""

    THERE = "there"
    GONE = "gone"
    CHANGED = "changed"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredAttachment:
    """An attachment and what became of its bytes, as far as their length tells."""

    attachment: Attachment
    state: AttachmentState

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        one = self.attachment
        return {
            "id": one.id,
            "name": one.name,
            "time": iso_utc(one.time_ns),
            "size": one.size,
            "sha256": one.sha256,
            "who": one.who,
            "state": str(self.state),
        }


def content_path(recording: Location, attachment: Attachment) -> Path:
    """Return where the bytes of an attachment are."""
    return Path(str(recording)) / ATTACHMENTS_FOLDER / f"{attachment.sha256}{CONTENT_SUFFIX}"


def read_attachments(recording: Location) -> tuple[StoredAttachment, ...]:
    """Return the attachments of a recording in order of their times; none of one at an address.

    What is no attachment in their folder is left out.
    """
    if not isinstance(recording, Path):
        return ()
    found = []
    for path in _described(recording):
        attachment = _attachment_in(path)
        if attachment is not None:
            found.append(
                StoredAttachment(attachment=attachment, state=_state(recording, attachment))
            )
    return tuple(sorted(found, key=lambda one: (one.attachment.time_ns, one.attachment.id)))


def attachments_of_span(recording: Location, from_ns: int, to_ns: int) -> Iterator[Path]:
    """Yield the files of the attachments whose time lies in [from_ns, to_ns)."""
    if not isinstance(recording, Path):
        return
    for one in read_attachments(recording):
        if from_ns <= one.attachment.time_ns < to_ns:
            if one.state is not AttachmentState.GONE:
                yield content_path(recording, one.attachment)
            yield recording / ATTACHMENTS_FOLDER / f"{one.attachment.id}{ATTACHMENT_SUFFIX}"


def attachment_faults(recording: Location) -> tuple[str, ...]:
    """Return a sentence for each attachment whose bytes are gone or are others; reads all bytes."""
    sentences = []
    for one in read_attachments(recording):
        state, name = one.state, one.attachment.name
        if state is AttachmentState.THERE and isinstance(recording, Path):
            try:
                with open_regular(content_path(recording, one.attachment)) as file:
                    digest = hashlib.file_digest(file, "sha256").hexdigest()
            except (OSError, DutytraceError):
                state = AttachmentState.GONE
            else:
                if digest != one.attachment.sha256:
                    state = AttachmentState.CHANGED
        if state is AttachmentState.GONE:
            sentences.append(f"The file {name!r} that was attached is gone from the disk.")
        elif state is AttachmentState.CHANGED:
            sentences.append(f"The file {name!r} that was attached has other bytes than it had.")
    return tuple(sentences)


def _described(recording: Path) -> list[Path]:
    try:
        paths = sorted((recording / ATTACHMENTS_FOLDER).iterdir())
    except OSError:
        return []
    return [
        path for path in paths
        if path.suffix == ATTACHMENT_SUFFIX and not path.name.startswith(".")
    ][:MAX_ATTACHMENTS]  # fmt: skip


def _attachment_in(path: Path) -> Attachment | None:
    try:
        content = parse_json(read_regular(path, max_bytes=_MAX_BYTES), path.name)
        attachment = Attachment.model_validate(content)
    except (OSError, ValueError, ValidationError, DutytraceError):
        return None
    return attachment if attachment.id == path.stem else None


def _state(recording: Path, attachment: Attachment) -> AttachmentState:
    path = content_path(recording, attachment)
    try:
        size = path.stat().st_size if path.is_file() and not path.is_symlink() else None
    except OSError:
        size = None
    if size is None:
        return AttachmentState.GONE
    return AttachmentState.THERE if size == attachment.size else AttachmentState.CHANGED
