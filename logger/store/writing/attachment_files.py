"""The attachments of a recording: the bytes once under their checksum, one small file for each.

The bytes of one that is to be attached wait in the inbox, since they are too large for a request;
whoever makes an event of the request moves them to their place first.
"""

import hashlib
import shutil
from pathlib import Path
from typing import IO, Final

from logger.outside_text import UnusualFileError, open_regular
from logger.store.layout.files import (
    ATTACHMENTS_FOLDER,
    INBOX_FOLDER,
    sync_folder,
    write_atomically,
)

__all__ = [
    "ATTACHMENT_SUFFIX",
    "CONTENT_SUFFIX",
    "carry_attachment_file",
    "copy_to_inbox",
    "place_attachment",
]

ATTACHMENT_SUFFIX: Final = ".json"
CONTENT_SUFFIX: Final = ".content"


def copy_to_inbox(recording: Path, source: Path, *, max_bytes: int) -> tuple[str, int]:
    """Copy a file's bytes into the inbox of a recording, and return their SHA-256 and length.

    Raises
    ------
    UnusualFileError
        It is no regular file, or longer than `max_bytes`.
    OSError
        It may not be read, or the disk took no more; nothing is left in the inbox.
    """
    folder = recording / INBOX_FOLDER
    folder.mkdir(exist_ok=True)
    with open_regular(source) as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        size = file.tell()
        if size > max_bytes:
            raise UnusualFileError(source, f"found {size} bytes, expected at most {max_bytes}")
        file.seek(0)
        write_atomically(
            folder / f"{digest}{CONTENT_SUFFIX}", lambda out: shutil.copyfileobj(file, out)
        )
    return digest, size


def place_attachment(recording: Path, attachment_id: str, sha256: str, content: bytes) -> None:
    """Move the bytes of an attachment from the inbox to their place, and write what is known of it.

    May be repeated: the same request may come twice after a crash.

    Raises
    ------
    OSError
        What was done stays, and can be repeated.
    """
    folder = recording / ATTACHMENTS_FOLDER
    if not folder.is_dir():
        # Not its parents: a recording that was moved is not begun again in the old place.
        folder.mkdir(exist_ok=True)
        sync_folder(recording)
    waiting = recording / INBOX_FOLDER / f"{sha256}{CONTENT_SUFFIX}"
    if waiting.is_file():
        waiting.rename(folder / waiting.name)
    path = folder / f"{attachment_id}{ATTACHMENT_SUFFIX}"
    if not path.is_file():
        write_atomically(path, lambda file: file.write(content))
    sync_folder(folder)


def carry_attachment_file(source: Path, folder: Path) -> None:
    """Copy one file of the attachments of another recording into those of this one.

    Raises
    ------
    OSError
        The disk took no more.
    """
    if not folder.is_dir():
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)
    if (folder / source.name).exists():
        return

    def copy(out: IO[bytes]) -> None:
        with open_regular(source) as file:
            shutil.copyfileobj(file, out)

    write_atomically(folder / source.name, copy)
