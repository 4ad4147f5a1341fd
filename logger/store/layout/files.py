"""Names within a recording, and atomic writes of its files.

A file is written under a temporary name that every reader ignores, synced, renamed, and its folder
synced: after a crash it is there whole or not at all.
"""

import contextlib
import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import IO, Final

from logger.errors import InputError, OutsideFault

__all__ = [
    "ATTACHMENTS_FOLDER",
    "FINDINGS_FOLDER",
    "INBOX_FOLDER",
    "JOURNAL_FOLDER",
    "LOCK_FILE",
    "MANIFEST_FILE",
    "course_stream",
    "cycle_rules_stream",
    "cycles_stream",
    "derived_stream",
    "forecast_stream",
    "is_disk_full",
    "is_outside_fault",
    "joined_stream",
    "make_folder",
    "overview_stream",
    "real_path",
    "status_stream",
    "sync_folder",
    "uncorrected_stream",
    "write_atomically",
    "write_or_raise",
]

MANIFEST_FILE: Final = "recording.json"
LOCK_FILE: Final = "live.lock"
JOURNAL_FOLDER: Final = "journal"
INBOX_FOLDER: Final = "inbox"
FINDINGS_FOLDER: Final = "findings"
ATTACHMENTS_FOLDER: Final = "attachments"

_OUTSIDE_ERRNOS: Final = frozenset(
    (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EMFILE, errno.ENFILE, errno.ENOMEM)
)


_PLACE_ERRNOS: Final = frozenset(
    (
        *(errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOENT, errno.ENOTDIR, errno.EISDIR),
        *(errno.ENAMETOOLONG, errno.ELOOP),
    )
)
"""What is wrong about a place where something is to be written, and not about the disk."""


def is_outside_fault(fault: OSError) -> bool:
    """Return whether a fault is the disk's or the system's, and not a wrong path's."""
    return fault.errno in _OUTSIDE_ERRNOS


def is_disk_full(fault: OSError) -> bool:
    """Return whether the disk, a quota or the largest file size is exhausted."""
    return fault.errno in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def real_path(path: Path) -> Path:
    """Return a path without links and relative parts; a loop of links stays as it is.

    `Path.resolve` raises RuntimeError for such a loop.
    """
    return Path(os.path.realpath(path))


def status_stream(joint: str) -> str:
    """Return the stream (and folder) of a joint's decoded readings."""
    return f"status/joint={joint}"


def derived_stream(joint: str) -> str:
    """Return the stream of the figures computed once a second for a joint."""
    return f"derived/joint={joint}"


def forecast_stream(joint: str) -> str:
    """Return the stream of a joint's forecasts: when its temperatures reach which level."""
    return f"forecast/joint={joint}"


def course_stream(joint: str) -> str:
    """Return the stream of the bands within which its temperatures were expected."""
    return f"course/joint={joint}"


def cycles_stream(joint: str) -> str:
    """Return the stream of a joint's cycles, recorded where a plan is followed."""
    return f"cycles/joint={joint}"


def cycle_rules_stream(joint: str) -> str:
    """Return the stream of the rules by which its cycles were counted."""
    return f"cycle_rules/joint={joint}"


def overview_stream(joint: str) -> str:
    """Return the folder of a joint's pyramid."""
    return f"overview/joint={joint}"


def joined_stream(stream: str) -> str:
    """Return the folder of the joined copies of a stream's parts."""
    return f"joined/{stream}"


def uncorrected_stream(sensor: str) -> str:
    """Return the folder of a sensor's readings as they came, where its clock was corrected."""
    return f"uncorrected/joint={sensor}"


def sync_folder(folder: Path) -> None:
    """Sync a folder, so that the names in it survive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def make_folder(folder: Path) -> None:
    """Make a folder and its missing parents, synced so that they survive a power cut.

    Raises
    ------
    FileExistsError
        Something of that name exists already.
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
    """Write a file as `write_atomically` does; `description` names it in the error.

    Raises
    ------
    InputError
        It may not be written there; nothing is left behind.
    OutsideFault
        The disk took no more, or `write` raised it; nothing is left behind.
    """
    try:
        write_atomically(path, write)
    except OutsideFault:
        raise
    except OSError as fault:
        raise (InputError if fault.errno in _PLACE_ERRNOS else OutsideFault)(
            f"{path}: {description} cannot be written ({fault.strerror or fault}); nothing was "
            "left behind."
        ) from fault


def write_atomically(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    """Write a file so that it appears whole or not at all.

    Parameters
    ----------
    write
        Fills the open file, which still has a temporary name; it may read back what it wrote.

    Raises
    ------
    OSError
        Nothing is left behind.
    """
    # Parquet readers, and the listings here, ignore names with a leading dot.
    temporary = path.with_name(f".{path.name}.aside")
    try:
        with temporary.open("w+b") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        temporary.rename(path)
    except BaseException:
        # The first error is reported, not that the temporary file could not be removed.
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)
