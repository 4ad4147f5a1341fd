"""Inverse-time limits that reset at once, over the stretches whose integral may get full.

Below its setting such a limit has forgotten everything, so each run above it stands by itself. From
the highest current of each second follows at most how far a run can get; the rows of a run that
cannot operate need not be read. While an alert stands or an integral runs nothing is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, TypeGuard

import numpy as np
from numpy.typing import NDArray

from logger.limits.curves import CURVES, inverse_s
from logger.limits.hysteresis import LevelState
from logger.limits.inverse_time import InverseMemory, InverseTime, measure_inverse_time
from logger.store.pyramid.seconds import BASE_NS
from replay.evaluation.alert_arrays import Alerts, Flips, Heed, alerts_of, heard_of
from replay.evaluation.candidate_buckets import longest
from replay.evaluation.level_alerts import Rows, Seconds, pieces, seconds_of, series_of, values_of
from replay.evaluation.skip_scan import flipped
from replay.recording import Recording

__all__ = ["by_runs", "forgets"]

_FULL: Final = 1.0 - 1e-6
"""A bound that is rounded must not fall short of the integral that it bounds."""
_FIRST: Final = 8
_MOST: Final = 512


def forgets(limit: object) -> TypeGuard[InverseTime]:
    """Return whether a limit is one that this is for."""
    return isinstance(limit, InverseTime) and limit.reset == "instant"


@dataclass(slots=True)
class _Run:
    """One limit while it is taken over a recording."""

    limit: InverseTime
    state: LevelState = field(default_factory=LevelState)
    memory: InverseMemory = field(default_factory=InverseMemory)
    flips: list[Flips] = field(default_factory=list)

    @property
    def idle(self) -> bool:
        """Nothing runs and nothing stands: what comes next does not depend on what was."""
        return (
            not self.state.active
            and self.state.pending_ns is None
            and self.memory.integral == 0.0
            and self.memory.multiple <= self.limit.from_multiple
        )


def by_runs(
    recording: Recording,
    joint: str,
    limits: Sequence[InverseTime],
    *,
    heed: Heed = lambda _share: None,
) -> list[Alerts]:
    """Return the alerts of inverse-time limits (`forgets`), as `full.in_full` does.

    `heed` is called with the share that is done, and may raise to end it.
    """
    runs = [_Run(limit) for limit in limits]
    whole_ns = max(recording.end_ns - recording.start_ns, 1)
    by_channel: dict[str, list[_Run]] = {}
    for run in runs:
        by_channel.setdefault(run.limit.channel, []).append(run)
    for done, (channel, mine) in enumerate(by_channel.items()):
        known = seconds_of(recording, joint, channel)
        hold_ns = recording.hold_ns(joint)[channel]

        for heard in heard_of(recording.events(), recording.start_ns, recording.end_ns):
            for run in mine:
                # What `evaluate.gone_on` leaves: an alert that stands, and nothing that runs.
                run.state = LevelState(active=run.state.active, peak=run.state.peak)
                run.memory = InverseMemory()
            for span_ns in pieces(heard):
                share = (span_ns[0] - recording.start_ns) / whole_ns
                rows = Rows(recording, joint, [channel], span_ns, values_of(channel))
                seconds = known.within(*span_ns)
                for index, run in enumerate(mine):
                    if index % 16 == 0:
                        heed((done + share) / len(by_channel))
                    _taken(run, seconds, rows, span_ns, joint=joint, hold_ns=hold_ns)
    return [alerts_of(run.flips) for run in runs]


def _taken(
    run: _Run,
    seconds: Seconds,
    rows: Rows,
    span_ns: tuple[int, int],
    *,
    joint: str,
    hold_ns: int,
) -> None:
    """Take one limit over a piece."""
    count = len(seconds.start_ns)
    places: NDArray[np.intp] | None = None
    at, ahead = 0, _FIRST
    while at < count:
        if run.idle:
            if places is None:
                places = _places(run.limit, seconds)
            place = int(np.searchsorted(places, at))
            if place == len(places):
                return
            ahead = _FIRST if places[place] > at else ahead
            at = int(places[place])
            run.memory = InverseMemory()
        stop = min(at + ahead, count)
        begin = max(int(seconds.start_ns[at]), span_ns[0])
        end = min(int(seconds.start_ns[stop - 1]) + BASE_NS, span_ns[1])
        time_ns, value = rows.between(begin, end)
        series = series_of(run.limit.channel, time_ns, value, hold_ns=hold_ns)
        scores, run.memory = measure_inverse_time(run.limit, run.memory, series)
        flips, run.state = flipped(run.limit, run.state, scores, joint=joint)
        run.flips += flips
        at, ahead = stop, min(2 * ahead, _MOST)


def _places(limit: InverseTime, seconds: Seconds) -> NDArray[np.intp]:
    """Return the seconds that a run which may operate goes through."""
    assert limit.setting is not None, "`of` has seen to it"
    sizes = np.abs(seconds.low) / limit.setting, np.abs(seconds.high) / limit.setting
    most, least = np.maximum(*sizes), np.minimum(*sizes)
    some = most > limit.from_multiple
    weight = np.zeros(len(most))
    # A value that is held over a second's end counts in the next one as well, with its own share.
    weight[some] = 1.0 / inverse_s(
        CURVES[limit.curve], most[some], tms=limit.tms, flat_above=limit.flat_above
    )
    return np.flatnonzero(some & (longest(some, least > limit.from_multiple, weight) >= _FULL))
