"""Limits of one joint over every reading of a recording: any number of them over one read.

What a limit makes of the readings is logger.limits', the code that runs live; rows, gaps and
time without a recorder are taken as replay/excursions/over_rows.py takes them.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.limits import silence
from logger.limits.evaluate import Memory, fresh_memory, measured
from logger.limits.frozen import Frozen, FrozenMemory
from logger.limits.hysteresis import LevelState
from logger.limits.limit import OfJoint
from logger.limits.limit_change import Change
from logger.limits.series import Series
from logger.limits.silence import Silence, SilenceState
from logger.limits.thermal import Thermal, ThermalMemory
from replay.evaluation.alert_arrays import Alerts, Flips, Heed, alerts_of, flips_of, heard_of
from replay.evaluation.score_groups import Shared, shared
from replay.evaluation.skip_scan import course_of, flipped, walk
from replay.recording import Recording

__all__ = ["in_full"]

CHUNK_NS: Final = 300 * 1_000_000_000


def in_full(
    recording: Recording,
    joint: str,
    limits: Sequence[OfJoint],
    *,
    chunk_ns: int = CHUNK_NS,
    heed: Heed = lambda _share: None,
) -> list[Alerts]:
    """Return the alerts of each limit (spoken in the channel's own unit), in the order given.

    `heed` is called with the share that is done, and may raise to end it.
    """
    hold_ns = recording.hold_ns(joint)
    turns = heard_of(recording.events(), recording.start_ns, recording.end_ns)
    groups = [
        _Group(one, joint) for one in shared(enumerate(limits), hold_ns, apart=len(turns) > 1)
    ]
    silences = [
        _Silent(place, limit, joint, start_ns=recording.start_ns)
        for place, limit in enumerate(limits)
        if isinstance(limit, Silence)
    ]
    least_ns = min((one.after_ns for one in silences), default=0)
    channels = sorted({channel for group in groups for _, channel in group.of.measure.needs})
    for heard in turns:
        if heard is not turns[0]:
            for group in groups:
                group.go_on(heard.start_ns)
            for one in silences:
                one.go_on(heard.start_ns)
        at = heard.start_ns
        while at < heard.end_ns:
            heed((at - recording.start_ns) / (recording.end_ns - recording.start_ns))
            until = min(at + chunk_ns, heard.end_ns)
            batch = recording.readings(joint, at, until, channels=channels)
            series = Series(batch, hold_ns)
            for group in groups:
                group.take(series)
            _all_silent(silences, batch.time_ns, min(until, heard.until_ns), least_ns=least_ns)
            at = until
    flips = {one.place: flips_of(one.changes) for one in silences}
    for group in groups:
        flips.update(group.flips)
    return [alerts_of(flips[place]) for place in range(len(limits))]


class _Group:
    """Limits of the same scores while they are taken over a recording."""

    def __init__(self, of: Shared, joint: str) -> None:
        self.of = of
        self.joint = joint
        self.memory: Memory | None = fresh_memory(of.measure)
        self.states = [LevelState() for _ in of.sets]
        self.flips: dict[int, list[Flips]] = {one.place: [] for one in of.sets}

    def take(self, series: Series) -> None:
        scores, self.memory = measured(self.of.measure, self.memory, series)
        if len(scores.score) == 0:
            return
        if len(self.of.sets) == 1:
            (one,) = self.of.sets
            flips, self.states[0] = flipped(one.limit, self.states[0], scores, joint=self.joint)
            self.flips[one.place] += flips
            return
        course = course_of(scores)
        for index, one in enumerate(self.of.sets):
            flips, self.states[index] = walk(
                one.limit,
                self.states[index],
                course,
                pick_up=one.pick_up,
                drop_off=one.drop_off,
                joint=self.joint,
            )
            self.flips[one.place] += flips

    def go_on(self, time_ns: int) -> None:
        """Do what `evaluate.gone_on` does, for limits that share a memory."""
        measure, memory = self.of.measure, self.memory
        self.memory = fresh_memory(measure)
        if isinstance(memory, ThermalMemory) and isinstance(measure, Thermal):
            self.memory = memory.cooled(measure, time_ns)
        self.states = [
            LevelState(active=True, peak=state.peak) if state.active else LevelState()
            for state in self.states
        ]
        if isinstance(measure, Frozen) and self.states[0].active:
            # From there it must move, or it is frozen still; it shares with no other (`shared`).
            self.memory = FrozenMemory(anchor=self.states[0].peak)


class _Silent:
    """A silence while it is taken over a recording."""

    def __init__(self, place: int, limit: Silence, joint: str, *, start_ns: int) -> None:
        self.place = place
        self.limit = limit
        self.joint = joint
        self.state = SilenceState(last_ns=start_ns)
        self.changes: list[Change] = []

    @property
    def after_ns(self) -> int:
        return round(self.limit.after_s * 1e9)

    def take(self, before_ns: int, time_ns: NDArray[np.int64], now_ns: int) -> None:
        """Take the rows of `time_ns`, before which a row came at `before_ns`."""
        state = SilenceState(last_ns=before_ns, active=self.state.active)
        found, self.state = silence.step(
            self.limit, state, time_ns, joint=self.joint, now_ns=now_ns
        )
        self.changes += [change for _, change in found]

    def go_on(self, time_ns: int) -> None:
        if not self.state.active:
            self.state = SilenceState(last_ns=time_ns)


def _all_silent(
    silences: Sequence[_Silent], time_ns: NDArray[np.int64], now_ns: int, *, least_ns: int
) -> None:
    """Take the rows of a chunk: of those that no gap lies before, only the newest matters."""
    if not silences:
        return
    nothing = np.empty(0, np.int64)
    long = np.flatnonzero(np.diff(time_ns) >= least_ns) + 1
    for one in silences:
        if len(time_ns):
            one.take(one.state.last_ns, time_ns[:1], int(time_ns[0]))
            for row in long.tolist():
                one.take(int(time_ns[row - 1]), time_ns[row : row + 1], int(time_ns[row]))
            if len(time_ns) > 1:
                one.state = SilenceState(last_ns=int(time_ns[-1]), active=one.state.active)
        one.take(one.state.last_ns, nothing, now_ns)
