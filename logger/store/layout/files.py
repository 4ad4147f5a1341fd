"""Names within a recording, and how a file is put there so that a crash cannot halve it.

A file is written beside its place under a name that every reader passes over, synced, renamed and
its folder synced: it is there whole or not at all.
"""

import contextlib
import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import IO, Final

from logger.errors import OutsideFault

__all__ = [
    "INBOX_FOLDER",
    "JOURNAL_FOLDER",
    "LOCK_FILE",
    "MANIFEST_FILE",
    "derived_stream",
    "is_disk_full",
    "is_outside_fault",
    "make_folder",
    "overview_stream",
    "status_stream",
    "sync_folder",
    "write_atomically",
    "write_or_raise",
]

MANIFEST_FILE: Final = "recording.json"
LOCK_FILE: Final = "live.lock"
JOURNAL_FOLDER: Final = "journal"
INBOX_FOLDER: Final = "inbox"

_OUTSIDE_ERRNOS: Final = frozenset(
    (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EMFILE, errno.ENFILE, errno.ENOMEM)
)


def is_outside_fault(fault: OSError) -> bool:
    """Return whether a fault is the disk's or the system's, and not of the path that was asked."""
    return fault.errno in _OUTSIDE_ERRNOS


def is_disk_full(fault: OSError) -> bool:
    """Return whether room is what is wanting."""
    return fault.errno in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def status_stream(joint: str) -> str:
    """Return the stream (and folder) of a joint's decoded readings."""
    return f"status/joint={joint}"


def derived_stream(joint: str) -> str:
    """Return the stream of what was computed live for a joint."""
    return f"derived/joint={joint}"


def overview_stream(joint: str) -> str:
    """Return the folder of a joint's pyramid."""
    return f"overview/joint={joint}"


def sync_folder(folder: Path) -> None:
    """Make the names in a folder last through a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, so that their names last through a power cut.

    Raises
    ------
    FileExistsError
        There is something already.
    OSError
        It cannot be made.
    """
    created = [folder]
    while not created[-1].parent.exists():
        created.append(created[-1].parent)
    folder.mkdir(parents=True)
    for parent in created:
        sync_folder(parent.parent)


def write_or_raise(path: Path, write: Callable[[IO[bytes]], object], *, description: str) -> None:
    """Put a file in its place whole, or say that `description` it is cannot be written.

    Raises
    ------
    OutsideFault
        The disk took no more, or `write` raised it; nothing is left behind.
    """
    try:
        write_atomically(path, write)
    except OutsideFault:
        raise
    except OSError as fault:
        raise OutsideFault(
            f"{path}: {description} cannot be written ({fault.strerror or fault}); nothing was left "
            "behind."
        ) from fault


def write_atomically(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    """Put a file in its place whole: `write` fills it while it still lies aside.

    `write` may read back what it wrote.

    Raises
    ------
    OSError
        Nothing is left behind.
    """
    # A leading dot is what Parquet readers and our own listings pass over.
    temporary = path.with_name(f".{path.name}.aside")
    try:
        with temporary.open("w+b") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        temporary.rename(path)
    except BaseException:
        # What went wrong is what is told, not that it could not be cleared away.
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)
