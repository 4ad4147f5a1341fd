"""From a recording to its cycles: the one way in for commands and the library."""

from collections.abc import Callable

import numpy as np

from logger.arrays import Ints
from logger.campaign.cycle_finder import CycleFinder
from logger.campaign.cycle_plan import CyclePlan
from logger.campaign.joint_cycles import joint_cycle_plan
from logger.campaign.plan_settings import CycleStart
from logger.campaign.recording_breaks import RecordingBreaks
from logger.store.layout.events import recording_breaks
from logger.time_chunks import time_chunks
from replay.campaign.cycle_table import CycleCounter, CycleTable
from replay.campaign.faults import CycleFault, CycleFaultKind
from replay.recording import Recording

__all__ = ["read_cycles"]


def read_cycles(
    recording: Recording,
    joint: str,
    *,
    start: CycleStart | None = None,
    report_progress: Callable[[float], None] = lambda _share: None,
) -> CycleTable:
    """Return the cycles of a joint that ended within a recording.

    Parameters
    ----------
    start
        How they are found; None: by themselves.
    report_progress
        Is called with the share that is read.

    Raises
    ------
    CycleFault
        The joint reports nothing that could return, or nothing in it does.
    """
    plan = _plan(recording, joint, start)
    marks_ns = _noted_ns(recording, start.note) if start and start.note is not None else None
    counter = CycleCounter(joint, plan.figures)
    bus = recording.bench.bus_of_joint(joint)
    breaks_ns = recording_breaks(recording.read_events(), bus=bus)
    state = CycleFinder(breaks=RecordingBreaks.of(breaks_ns))
    begin_ns, end_ns = recording.start_ns, recording.end_ns
    for first_ns, until_ns in time_chunks(begin_ns, end_ns):
        report_progress((first_ns - begin_ns) / (end_ns - begin_ns))
        rows = recording.read_readings(joint, first_ns, until_ns, channels=list(plan.hold_ns))
        starts_ns = None
        if marks_ns is not None:
            starts_ns = marks_ns[(marks_ns >= first_ns) & (marks_ns < until_ns)]
        cycles, state = state.feed(plan, rows, starts_ns=starts_ns)
        counter.add(cycles)
    counter.add(state.finish(plan)[0])
    table = counter.table()
    if not len(table) and state.rule is None:
        raise CycleFault(CycleFaultKind.NONE_FOUND, where=recording.name, joint=joint)
    return table


def _plan(recording: Recording, joint: str, start: CycleStart | None) -> CyclePlan:
    plan = joint_cycle_plan(recording.bench, joint, start)
    if plan is None:
        raise CycleFault(CycleFaultKind.NO_COURSE, where=recording.name, joint=joint)
    return plan


def _noted_ns(recording: Recording, text: str) -> Ints:
    found = [note.time_ns for note in recording.read_notes() if note.text == text]
    return np.array(found, np.int64)
