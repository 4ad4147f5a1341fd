"""How long the disk lasts at the recording's present rate."""

import math
import shutil
from pathlib import Path
from typing import Final

from logger.store.layout.files import JOURNAL

__all__ = ["Room"]

LOOK_S: Final = 10.0


class Room:
    """Looks at the disk now and then; for one thread."""

    def __init__(self, path: Path, *, now_s: float) -> None:
        self._path = path
        self._looked_s = now_s
        self._begun_s = now_s
        self._begun_bytes: int | None = None
        self._left_h = math.nan

    def left_h(self, now_s: float) -> float:
        """Return the hours that are left; NaN before the first part was sealed.

        What lies in parts tells the rate. The journal is not counted: it comes and goes; but it
        needs its room, so what it holds now is kept free on top.
        """
        if now_s - self._looked_s < LOOK_S:
            return self._left_h
        self._looked_s = now_s
        try:
            written = sum(file.stat().st_size for file in self._path.rglob("*.parquet"))
            journal = sum(file.stat().st_size for file in (self._path / JOURNAL).iterdir())
            free = shutil.disk_usage(self._path).free
        except OSError:
            # A file may go between the list and the look; the next look will tell.
            return self._left_h
        if self._begun_bytes is None:
            self._begun_bytes, self._begun_s = written, now_s
            return self._left_h
        grown = written - self._begun_bytes
        if grown > 0:
            rate = grown / (now_s - self._begun_s)
            self._left_h = max(free - journal, 0) / rate / 3600.0
        return self._left_h
