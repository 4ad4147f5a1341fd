"""What the parts of a live recording take of the disk, and how long its free space lasts.

Only what is new is looked at: a recording of months has a hundred thousand files.
"""

import heapq
import math
import os
import shutil
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.parts.part import rows_of_name

__all__ = ["DiskForecast", "DiskGrowth", "DiskSample", "disk_growth", "first_growth"]

DISK_CHECK_S: Final = 10.0
_SHORTEST_SAMPLE_S: Final = 60.0
"""The parts of one journal come one after another: what comes sooner is of the same sample."""
_MOST_SAMPLES: Final = 144
"""A day of parts of ten minutes: the rate is that of the last day."""
_LEAST_SAMPLES: Final = 3
_EARLIER_PARTS: Final = 24
"""Of each stream, that are looked at where a recording is resumed: four hours of them."""
_LONGEST_SPAN_S: Final = 900.0
"""Parts that come later than that after the ones before were not recorded all the while."""
_BUSIER: Final = 2.0
"""So many times the rate of the first part, or that part of it, are thought possible: it is of a
few seconds, whose beginning and end are not known to one."""
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
    """NaN where no more than the bounds is known."""
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


def first_growth(
    sample: DiskSample, *, span_s: float, frame_span_s: float, longest_part_s: float
) -> DiskGrowth:
    """Return bounds of what is added in `span_s`, from the first parts of a few seconds.

    A part takes some room however little is in it (a few kilobytes a stream), and room for each
    row. Nobody can tell from one which is which: at least, all of it was the former, and comes once
    in `longest_part_s` later on; at most, all of it was the latter. Both for a bus that may become
    twice or half as busy.
    """
    added = sample.other_bytes * span_s + sample.frame_bytes * frame_span_s
    longest_s = max(longest_part_s, sample.span_s)
    return DiskGrowth(
        low=added / longest_s / _BUSIER, bytes=math.nan, high=added / sample.span_s * _BUSIER
    )


class DiskForecast:
    """Measures rate and free space every ten seconds; for one thread."""

    def __init__(self, path: Path, *, now_s: float) -> None:
        self._path = path
        self._checked_s = self._sampled_s = now_s
        self._folders: dict[Path, tuple[int, int]] = {path: (0, 0)}
        """Folder -> its time of change at the last look, and the end row of its newest part."""
        self._is_first = True
        self._earlier: list[tuple[int, int, bool]] = []
        """When parts that were there at first were written, their bytes, and whether of frames."""
        self._earlier_from_ns = 0
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
            self._samples.extend(_earlier_samples(self._earlier, self._earlier_from_ns))
            self._earlier.clear()
        elif frame_bytes or other_bytes:
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
            there: list[tuple[int, os.DirEntry[str]]] = []
            with os.scandir(folder) as entries:
                for entry in entries:
                    rows = rows_of_name(entry.name)
                    if rows is not None and rows[1] > newest:
                        end_row = max(end_row, rows[1])
                        if self._is_first:
                            # Of what was there before, the newest say how fast it grew.
                            there.append((rows[1], entry))
                        else:
                            added += entry.stat().st_size
                    elif rows is None and self._is_new_stream(entry):
                        waiting.append(Path(entry.path))
            self._folders[folder] = changed, end_row
            if there:
                self._note_earlier(there, is_frames=folder.name == "frames")
            if folder.name == "frames":
                frame_bytes += added
            else:
                other_bytes += added
        return frame_bytes, other_bytes

    def _note_earlier(
        self, parts: list[tuple[int, "os.DirEntry[str]"]], *, is_frames: bool
    ) -> None:
        """Note the newest of the parts of a folder, by their end rows, that were there before."""
        newest = heapq.nlargest(_EARLIER_PARTS, parts, key=lambda part: part[0])
        stats = [entry.stat() for _, entry in newest]
        if len(newest) < len(parts):
            # From there on all of its parts are known.
            self._earlier_from_ns = max(self._earlier_from_ns, stats[-1].st_mtime_ns)
        self._earlier += [(one.st_mtime_ns, one.st_size, is_frames) for one in stats]

    def _is_new_stream(self, entry: "os.DirEntry[str]") -> bool:
        is_folder = entry.is_dir(follow_symlinks=False) and not entry.name.startswith(".")
        return is_folder and Path(entry.path) not in self._folders


def _earlier_samples(parts: Sequence[tuple[int, int, bool]], from_ns: int) -> list[DiskSample]:
    """Return what was added before, by when the files were written: (ns, bytes, is of frames).

    Spans without a recorder are left out. A copy of a recording may have lost these times: its
    files were all written at once, which tells nothing.
    """
    groups: list[tuple[int, int, int]] = []
    for at_ns, size, is_frames in sorted(parts):
        if at_ns < from_ns:
            continue
        if not groups or at_ns - groups[-1][0] >= _SHORTEST_SAMPLE_S * 1e9:
            groups.append((at_ns, 0, 0))
        begin_ns, frame_bytes, other_bytes = groups[-1]
        frame_bytes += size if is_frames else 0
        other_bytes += 0 if is_frames else size
        groups[-1] = begin_ns, frame_bytes, other_bytes
    return [
        DiskSample(span_s=span_s, frame_bytes=frame_bytes, other_bytes=other_bytes)
        for (before_ns, _, _), (at_ns, frame_bytes, other_bytes) in pairwise(groups)
        if (span_s := (at_ns - before_ns) / 1e9) <= _LONGEST_SPAN_S
    ]
