"""The sentences with which a live recording ends when it cannot be written."""

from pathlib import Path

from logger.errors import OutsideFault
from logger.store.layout.files import is_disk_full

__all__ = ["cannot_begin", "cannot_resume", "cannot_write", "journal_gone", "recording_moved"]


def cannot_begin(path: Path, fault: OSError) -> OutsideFault:
    """Return the error for a disk that took not even the beginning of a recording."""
    return OutsideFault(
        f"{path}: the recording cannot begin ({fault.strerror or fault}); nothing was recorded. "
        f"{_remedy(fault).capitalize()}, then record again."
    )


def cannot_resume(path: Path, fault: OSError) -> OutsideFault:
    """Return the error for a disk that did not take the beginning of a resumed recording."""
    return OutsideFault(
        f"{path}: the recording cannot be resumed ({fault.strerror or fault}); "
        "nothing was added. Free some room, then try again."
    )


def cannot_write(path: Path, fault: OSError) -> OutsideFault:
    """Return the error for a disk that took no more."""
    return OutsideFault(
        f"{path}: the recording cannot be written any further ({fault.strerror or fault}). What "
        f"was written until then is whole; {_remedy(fault)}, then resume it with `dutytrace record "
        f"--continue {path}`."
    )


def recording_moved(path: Path) -> OutsideFault:
    """Return the error for a recording that is no longer where it was begun."""
    return OutsideFault(
        f"{path}: the recording was moved, renamed or removed while it was written, "
        "expected it to stay until its logger has ended. What was written until then is whole "
        "where the folder is now: `dutytrace seal` finishes it there."
    )


def journal_gone(recording: Path, journal: Path) -> OutsideFault:
    """Return the error for a journal that was taken away under its writer."""
    return OutsideFault(
        f"{journal}: this journal was moved or removed while it was written, expected it to stay "
        "until its logger has ended. What is in parts is whole, and so is the journal where it is "
        "now: put it back, then resume the recording with `dutytrace record --continue "
        f"{recording}`."
    )


def _remedy(fault: OSError) -> str:
    return "free some room" if is_disk_full(fault) else "see that its folder can be written"
