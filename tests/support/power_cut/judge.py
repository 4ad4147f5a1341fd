"""What a recording says after power cuts, held against what the joint told and what was flushed."""

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from logger.event_kind import EventKind
from logger.store.layout.files import cycles_stream, status_stream
from replay.campaign.read_cycles import read_cycles
from replay.check import check_recording
from replay.recording import Recording
from tests.support.power_cut.joint import CYCLE_S
from tests.support.power_cut.story import PowerCuts

__all__ = ["Verdict", "judge"]

S: Final = 1_000_000_000
_BEGIN_NS: Final = 0
_END_NS: Final = 2**62
_HELD_UP_NS: Final = S // 3
"""Longest pause between two frames of a cycle of which the joint says that it went through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What came of it."""

    lost_s: tuple[float, ...]
    """At each cut: from the newest reading that is left, or where the recorder had just begun from
    there, to the joint's newest word, in seconds."""
    cycles: int
    """In the table."""
    left_out: int
    """Cycles that the joint told and of which all readings are there, but no row of the table."""
    doubled: int
    """Rows of the table of one and the same cycle."""
    stages: tuple[str, ...]
    """In the order in which they began."""
    counts: tuple[int, ...]
    """Cycles of each stage that has ended."""
    pauses_s: tuple[float, ...]
    """As the recording tells them; one that had just begun to go on may be in the next."""
    cut_short: int
    """Ends that no recorder wrote, as the recording states them; one that left no row is none."""
    missing: tuple[str, ...]
    """What `dutytrace check` says."""
    dropped: int


def judge(came: PowerCuts) -> Verdict:
    """Return it; raises AssertionError where table and evaluation, or two states, differ."""
    recording = Recording.open(came.recording)
    time_ns = _row_times(came.recording)
    lost_s = []
    for cut in range(len(came.told) - 1):
        left = came.folder / f"cut-{cut}" / came.recording.name
        times = _row_times(left)
        newest_ns = int(came.told[cut][-1].split()[-1])
        kept_ns = max(int(times[-1]), *came.times_ns(cut, "recording"))
        lost_s.append((newest_ns - kept_ns) / S)
        assert time_ns[: len(times)].tolist() == times.tolist(), "what was there is there"
    table = recording.read_rows(cycles_stream("shoulder"), start_ns=_BEGIN_NS, end_ns=_END_NS)
    plan = recording.manifest.read_plan(str(recording.path))
    afterwards = read_cycles(recording, "shoulder", start=plan.cycle if plan else None)
    assert table["cycle"].to_pylist() == list(range(1, len(afterwards) + 1))
    assert table["start"].cast("int64").to_pylist() == afterwards.start_ns.tolist()
    assert table["kind"].to_pylist() == [str(kind) for kind in afterwards.kinds]
    starts = table["start"].cast("int64").to_numpy()
    left_out, doubled = _against_the_joint(came, starts, time_ns)
    events = recording.read_events()
    checked = check_recording(recording)
    return Verdict(
        lost_s=tuple(lost_s),
        cycles=len(table),
        left_out=left_out,
        doubled=doubled,
        stages=tuple(one.stage for one in events if one.kind == EventKind.STAGE_BEGUN),
        counts=tuple(one.whole_value for one in events if one.kind == EventKind.STAGE_ENDED),
        pauses_s=tuple(one.duration_s for one in events if one.kind == EventKind.CONTINUED),
        cut_short=len(checked.cut_short),
        missing=checked.missing,
        dropped=checked.dropped,
    )


def _row_times(recording: Path) -> np.ndarray:
    table = Recording.open(recording).read_rows(
        status_stream("shoulder"), start_ns=_BEGIN_NS, end_ns=_END_NS, columns=["time"]
    )
    return np.asarray(table["time"].cast("int64").to_numpy())


def _against_the_joint(
    came: PowerCuts, starts_ns: np.ndarray, time_ns: np.ndarray
) -> tuple[int, int]:
    """Return how many of the joint's cycles are in no row of the table, and how many in several."""
    begun = np.sort(
        np.concatenate([came.times_ns(boot, "cycle") for boot in range(len(came.told))])
    )
    of_start = begun.searchsorted(starts_ns, "right") - 1
    doubled = len(of_start) - len(set(of_start.tolist()))
    # Where in a cycle the level is that one is counted from.
    phase_ns = int(np.median(starts_ns - begun[np.maximum(of_start, 0)]))
    left_out = 0
    for number, (first_ns, last_ns) in enumerate(pairwise(begun.tolist())):
        if last_ns - first_ns > 1.2 * CYCLE_S * S:
            continue
        begin, end = time_ns.searchsorted((first_ns + phase_ns - S // 5, last_ns + phase_ns))
        rows = time_ns[begin : end + 1]
        is_seen = len(rows) > 1 and np.diff(rows).max() < _HELD_UP_NS
        is_whole = is_seen and rows[0] < first_ns + phase_ns and rows[-1] >= last_ns + phase_ns
        left_out += bool(is_whole and number not in of_start)
    return left_out, doubled
