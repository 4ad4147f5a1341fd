"""Whole parts of raw frames that a keep rule lets go: found, and removed once that is stated."""

import logging
from bisect import bisect_right
from collections.abc import Sequence
from pathlib import Path

from logger.errors import DutytraceError
from logger.store.layout.files import sync_folder
from logger.store.layout.frames_let_go import FramesLetGo, are_let_go, joined_spans
from logger.store.layout.manifest import read_manifest
from logger.store.parts.part import list_parts

__all__ = ["due_frames", "remove_let_go"]

log = logging.getLogger(__name__)


def due_frames(
    recording: Path, *, before_ns: int, kept_ns: Sequence[tuple[int, int]]
) -> tuple[FramesLetGo, ...]:
    """Return the spans of the parts that are older than `before_ns` and touch no span of `kept_ns`.

    `kept_ns`: [start, end) spans in order of time, apart from each other.

    The newest part stays whatever its age: it holds the number from which rows go on. So does one
    that cannot be read, whose time nobody knows.

    Raises
    ------
    OutsideFault
        The folder cannot be listed.
    """
    due = []
    for part in list_parts(recording / "frames")[:-1]:
        if not part.spans:
            continue
        first_ns, last_ns = part.spans[0][0], part.spans[-1][1]
        if last_ns >= before_ns:
            break
        kept = bisect_right(kept_ns, first_ns, key=lambda span: span[1])
        if kept < len(kept_ns) and kept_ns[kept][0] <= last_ns:
            continue
        due.append(
            FramesLetGo(
                from_ns=first_ns, to_ns=last_ns, first_row=part.first_row, end_row=part.end_row
            )
        )
    return joined_spans(due)


def remove_let_go(recording: Path) -> int:
    """Remove the parts of raw frames that recording.json states as let go; return their bytes.

    What cannot be removed stays, and goes with the next call: nothing is recorded the worse for it.
    """
    freed_bytes = 0
    try:
        stated = read_manifest(recording).frames_let_go
        for part in list_parts(recording / "frames")[:-1]:
            if are_let_go(stated, part.first_row, part.end_row):
                size = part.path.stat().st_size
                part.path.unlink()
                freed_bytes += size
        if freed_bytes:
            sync_folder(recording / "frames")
    except (DutytraceError, OSError) as fault:
        log.warning("%s: raw frames that were let go are still there (%s)", recording, fault)
    return freed_bytes
