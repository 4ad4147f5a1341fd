"""What the checks of frames found in a batch: damaged frames, and frames that are missing. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Ints
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.joint.decode.checksums import CHECKSUM_WRONG, drop_damaged
from logger.joint.decode.decode_plan import DecodePlan
from logger.joint.decode.lost_frames import CounterState, find_lost

__all__ = ["FrameFaults", "check_frames"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFaults:
    """The faults of one sort in the frames of one kind of a joint."""

    kind: Literal[EventKind.DAMAGED, EventKind.SKIPPED]
    joint: str
    """Of a shared frame the first of its joints."""
    frame: str
    """Name of the frame in the layout."""
    time_ns: Ints
    """Of each damaged frame, or of the frame before which some are missing, in order; shape (n,)"""
    count: Ints
    """How many frames each of these stands for; shape (n,)"""


def check_frames(
    plan: DecodePlan,
    states: Mapping[int, CounterState],
    frames: FrameBatch,
    match_number: NDArray[np.intp],
    rejected: dict[str, int],
) -> tuple[tuple[FrameFaults, ...], dict[int, CounterState]]:
    """Take damaged frames out of a batch; return the faults, and the counters after it.

    `match_number`, shape (n,), and `rejected` are changed in place.
    """
    damaged = drop_damaged(plan.dispatch.checksums, frames, match_number)
    if len(damaged.rows):
        rejected[CHECKSUM_WRONG] = len(damaged.rows)
    lost, after = find_lost(plan.dispatch.counters, states, frames, match_number, damaged)
    found: list[FrameFaults] = []
    for number in np.unique(damaged.match_numbers).tolist():
        rows = damaged.rows[damaged.match_numbers == number]
        found.append(_faults(plan, EventKind.DAMAGED, number, frames.time_ns[rows], None))
    for number in sorted({one.match_number for one in lost}):
        mine = [one for one in lost if one.match_number == number]
        rows = np.array([one.row for one in mine])
        counts = np.array([one.count for one in mine], np.int64)
        found.append(_faults(plan, EventKind.SKIPPED, number, frames.time_ns[rows], counts))
    return tuple(found), after


def _faults(
    plan: DecodePlan,
    kind: Literal[EventKind.DAMAGED, EventKind.SKIPPED],
    match_number: int,
    time_ns: Ints,
    count: Ints | None,
) -> FrameFaults:
    joint = next(joint for joint in plan.joints if joint.kind_of[match_number] >= 0)
    return FrameFaults(
        kind=kind,
        joint=joint.joint.name,
        frame=joint.frames[joint.kind_of[match_number]].frame.name,
        time_ns=time_ns,
        count=np.ones(len(time_ns), np.int64) if count is None else count,
    )
