"""What the parts of a live recording take of the disk, and how long its free space lasts.

Only what is new is looked at: a recording of months has a hundred thousand files.
"""

import math
import os
import shutil
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.parts.part import rows_of_name

__all__ = ["DiskForecast", "DiskGrowth", "DiskSample", "disk_growth"]

DISK_CHECK_S: Final = 10.0
_SHORTEST_SAMPLE_S: Final = 60.0
"""The parts of one journal come one after another: what comes sooner is of the same sample."""
_MOST_SAMPLES: Final = 144
"""A day of parts of ten minutes: the rate is that of the last day."""
_LEAST_SAMPLES: Final = 3
_STUDENT_95: Final = (12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23)
"""Two-sided 95 % quantiles of Student's t from one degree of freedom on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskSample:
    """What was added to a recording's parts in a span."""

    span_s: float
    frame_bytes: int
    other_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskGrowth:
    """Bytes that a recording will add, with the 95 % interval of the rate of so far."""

    low: float
    bytes: float
    high: float


def disk_growth(
    samples: Sequence[DiskSample], *, span_s: float, frame_span_s: float
) -> DiskGrowth | None:
    """Return what is added in `span_s`, raw frames only in `frame_span_s`; None: not known yet.

    The rate is a ratio of sums; its standard error is that of the ratio estimator, sums of squared
    residuals of the samples (Cochran, Sampling Techniques, 6.4).
    """
    total_s = sum(sample.span_s for sample in samples)
    count = len(samples)
    if count < _LEAST_SAMPLES or total_s <= 0.0:
        return None
    added = [sample.other_bytes * span_s + sample.frame_bytes * frame_span_s for sample in samples]
    rate = sum(added) / total_s
    squares = sum(
        (one - rate * sample.span_s) ** 2 for one, sample in zip(added, samples, strict=True)
    )
    error = math.sqrt(squares * count / (count - 1)) / total_s
    half = _STUDENT_95[min(count - 1, len(_STUDENT_95)) - 1] * error
    return DiskGrowth(low=max(rate - half, 0.0), bytes=rate, high=rate + half)


class DiskForecast:
    """Measures rate and free space every ten seconds; for one thread."""

    def __init__(self, path: Path, *, now_s: float) -> None:
        self._path = path
        self._checked_s = self._sampled_s = now_s
        self._folders: dict[Path, tuple[int, int]] = {path: (0, 0)}
        """Folder -> its time of change at the last look, and the end row of its newest part."""
        self._is_first = True
        self._samples: deque[DiskSample] = deque(maxlen=_MOST_SAMPLES)
        self._hours_left = math.nan
        self.free_bytes: int | None = None
        """Free space but for what the journal needs of it; None while not known."""

    @property
    def samples(self) -> tuple[DiskSample, ...]:
        """What was added to the parts, in spans one after another."""
        return tuple(self._samples)

    def hours_left(self, now_s: float) -> float:
        """Return the hours that are left; NaN before the first part was sealed.

        The rate is that of the parts. The journal is not part of it, since it is removed again; but
        it needs its space, so as much as it takes now is deducted from the free space.
        """
        if now_s - self._checked_s < DISK_CHECK_S:
            return self._hours_left
        self._checked_s = now_s
        try:
            frame_bytes, other_bytes = self._added_bytes()
            journal = sum(file.stat().st_size for file in (self._path / JOURNAL_FOLDER).iterdir())
            self.free_bytes = max(shutil.disk_usage(self._path).free - journal, 0)
        except OSError:
            # A file may be removed between listing and stat; the next call measures again.
            return self._hours_left
        if self._is_first:
            self._is_first, self._sampled_s = False, now_s
            return self._hours_left
        if frame_bytes or other_bytes:
            self._add_sample(now_s, frame_bytes, other_bytes)
        total_bytes = sum(one.frame_bytes + one.other_bytes for one in self._samples)
        if total_bytes:
            rate = total_bytes / sum(one.span_s for one in self._samples)
            self._hours_left = self.free_bytes / rate / 3600.0
        return self._hours_left

    def _add_sample(self, now_s: float, frame_bytes: int, other_bytes: int) -> None:
        span_s = now_s - self._sampled_s
        self._sampled_s = now_s
        if self._samples and span_s < _SHORTEST_SAMPLE_S:
            last = self._samples.pop()
            span_s, frame_bytes = span_s + last.span_s, frame_bytes + last.frame_bytes
            other_bytes += last.other_bytes
        self._samples.append(
            DiskSample(span_s=span_s, frame_bytes=frame_bytes, other_bytes=other_bytes)
        )

    def _added_bytes(self) -> tuple[int, int]:
        """Return the bytes of raw frames, and of all else, in parts since the last call."""
        frame_bytes = other_bytes = 0
        waiting = list(self._folders)
        while waiting:
            folder = waiting.pop()
            seen, newest = self._folders.get(folder, (0, 0))
            changed = folder.stat().st_mtime_ns
            if changed == seen:
                continue
            end_row, added = newest, 0
            with os.scandir(folder) as entries:
                for entry in entries:
                    rows = rows_of_name(entry.name)
                    if rows is not None and rows[1] > newest:
                        end_row = max(end_row, rows[1])
                        # Of what was there before, only where it ends is needed.
                        added += 0 if self._is_first else entry.stat().st_size
                    elif rows is None and self._is_new_stream(entry):
                        waiting.append(Path(entry.path))
            self._folders[folder] = changed, end_row
            if folder.name == "frames":
                frame_bytes += added
            else:
                other_bytes += added
        return frame_bytes, other_bytes

    def _is_new_stream(self, entry: "os.DirEntry[str]") -> bool:
        is_folder = entry.is_dir(follow_symlinks=False) and not entry.name.startswith(".")
        return is_folder and Path(entry.path) not in self._folders
