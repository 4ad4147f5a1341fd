"""Which folders of a recording have changed since they were last listed, and recording.json.

So that a refresh of a long recording costs a stat of each folder instead of a listing. At an
address nothing changes, so each folder is listed once. Not locked: the reader that owns it is.
"""

import time
from pathlib import Path
from typing import Final

from logger.store.layout.remote import Address, Location

__all__ = ["FolderStamps", "manifest_stamp"]

_SETTLED_AFTER_NS: Final = 1_000_000_000
"""Age of a change from which on no other change can follow within the same tick."""


class FolderStamps:
    """Modification times of the folders of one recording, as of their last listing."""

    def __init__(self, recording: Location) -> None:
        self._recording = recording
        self._listed_ns: dict[str, int] = {}

    def has_changed(self, stream: str) -> bool:
        """Return whether a stream's folder may have changed since the last call; False for none."""
        try:
            stamp_ns = _modified_ns(self._recording / stream)
        except FileNotFoundError:
            return False
        if self._listed_ns.get(stream) == stamp_ns:
            return False
        # Modification times advance in ticks of the clock: a rename may follow within the one that
        # was seen, so a young folder is listed again until its time is old enough.
        if time.time_ns() - stamp_ns > _SETTLED_AFTER_NS:
            self._listed_ns[stream] = stamp_ns
        return True


def manifest_stamp(path: Location) -> tuple[int, int] | None:
    """Return (inode, mtime_ns) of recording.json, which change when it is replaced.

    None for a file that is not there, and at an address, where it never changes.
    """
    if isinstance(path, Address):
        return None
    try:
        stat_result = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return stat_result.st_ino, stat_result.st_mtime_ns


def _modified_ns(folder: Location) -> int:
    """Return when a folder was last changed; 0 at an address. Raises FileNotFoundError for none."""
    if isinstance(folder, Path):
        return folder.stat().st_mtime_ns
    if not folder.is_dir():
        raise FileNotFoundError(str(folder))
    return 0
