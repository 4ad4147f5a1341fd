"""The digest of what was recorded: one SHA-256 by which a report is held to its recording.

Over frames and readings only: notes and findings come later and do not change what was recorded.
"""

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

__all__ = ["DIGEST_COMMAND", "RecordingDigest", "digest_recording"]

DIGEST_COMMAND: Final = (
    "find frames status -type f -name 'part-*' | LC_ALL=C sort | xargs sha256sum | sha256sum"
)
"""Prints the digest within the folder of a recording, by standard tools alone."""
_STREAMS: Final = ("frames", "status")
_CHUNK: Final = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingDigest:
    """The digest of a recording's frames and readings."""

    sha256: str
    files: int
    size: int
    """In bytes."""


def digest_recording(recording: Path) -> RecordingDigest:
    """Return the digest of a finished recording in a folder; see `DIGEST_COMMAND`.

    Raises
    ------
    OSError
        A part cannot be read.
    """
    whole = hashlib.sha256()
    size = files = 0
    paths = {
        path.relative_to(recording).as_posix(): path
        for stream in _STREAMS
        for path in (recording / stream).rglob("part-*")
        if path.is_file()
    }
    for name in sorted(paths, key=lambda one: one.encode()):
        part = hashlib.sha256()
        with paths[name].open("rb") as file:
            while chunk := file.read(_CHUNK):
                part.update(chunk)
                size += len(chunk)
        whole.update(f"{part.hexdigest()}  {name}\n".encode())
        files += 1
    return RecordingDigest(sha256=whole.hexdigest(), files=files, size=size)
