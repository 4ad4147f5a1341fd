"""How long the free space of the disk lasts at the recording's present rate."""

import math
import shutil
from pathlib import Path
from typing import Final

from logger.store.layout.files import JOURNAL_FOLDER

__all__ = ["DiskForecast"]

DISK_CHECK_S: Final = 10.0


class DiskForecast:
    """Measures rate and free space every ten seconds; for one thread."""

    def __init__(self, path: Path, *, now_s: float) -> None:
        self._path = path
        self._checked_s = now_s
        self._start_s = now_s
        self._start_bytes: int | None = None
        self._hours_left = math.nan

    def hours_left(self, now_s: float) -> float:
        """Return the hours that are left; NaN before the first part was sealed.

        The rate is that of the parts. The journal is not part of it, since it is removed again; but
        it needs its space, so as much as it takes now is deducted from the free space.
        """
        if now_s - self._checked_s < DISK_CHECK_S:
            return self._hours_left
        self._checked_s = now_s
        try:
            written = sum(file.stat().st_size for file in self._path.rglob("*.parquet"))
            journal = sum(file.stat().st_size for file in (self._path / JOURNAL_FOLDER).iterdir())
            free = shutil.disk_usage(self._path).free
        except OSError:
            # A file may be removed between listing and stat; the next call measures again.
            return self._hours_left
        if self._start_bytes is None:
            self._start_bytes, self._start_s = written, now_s
            return self._hours_left
        added_bytes = written - self._start_bytes
        if added_bytes > 0:
            rate = added_bytes / (now_s - self._start_s)
            self._hours_left = max(free - journal, 0) / rate / 3600.0
        return self._hours_left
