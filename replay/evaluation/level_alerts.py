"""Levels on one channel by the pyramid: only the rows near a level are read.

The lowest and the highest value of each second say in which of them a level can change anything;
the rows of these are read, and cached while several limits want them. In pieces of some hours, so
that memory does not grow with the recording.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import measured
from logger.limits.hysteresis import LevelState
from logger.limits.level import Level, Outside
from logger.limits.limit import OfJoint
from logger.limits.series import Series
from logger.limits.touch import Touch
from logger.store.pyramid.seconds import BASE_NS
from replay.evaluation.alert_arrays import Alerts, Flips, Heard, Heed, alerts_of, heard_of
from replay.evaluation.score_groups import Set, shared
from replay.evaluation.skip_scan import Course, walk
from replay.recording import Recording

__all__ = ["Rows", "Seconds", "by_pyramid", "pieces", "seconds_of", "series_of", "values_of"]

_PIECE_NS: Final = 7200 * BASE_NS
_BLOCK: Final = 64
"""Seconds of rows that are read at a time."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Seconds:
    """The lowest and highest value of a channel in each second of a span that has any."""

    def __init__(self, start_ns: Ints, low: Floats, high: Floats) -> None:
        self.start_ns = start_ns
        self.low = low
        self.high = high

    def within(self, start_ns: int, end_ns: int) -> "Seconds":
        """Return those that touch [start_ns, end_ns)."""
        first, stop = np.searchsorted(self.start_ns, [start_ns - BASE_NS + 1, end_ns])
        rows = slice(int(first), int(stop))
        return Seconds(self.start_ns[rows], self.low[rows], self.high[rows])


def seconds_of(recording: Recording, joint: str, channel: str) -> Seconds:
    """Return a channel's seconds over a whole recording."""
    found = recording.counted(
        joint,
        channel,
        recording.start_ns // BASE_NS * BASE_NS,
        -(-recording.end_ns // BASE_NS) * BASE_NS,
    )
    return Seconds(found.start_ns, found.minimum, found.maximum)


class Rows:
    """What is made of a channel's rows in a span, read where it is asked for and kept.

    `most`: blocks of 64 s that are kept; None: all.
    """

    def __init__(
        self,
        recording: Recording,
        joint: str,
        channels: Sequence[str],
        span_ns: tuple[int, int],
        make: Callable[[Series], tuple[Ints, Floats]],
        *,
        most: int | None = None,
    ) -> None:
        self._recording = recording
        self._joint = joint
        self._channels = channels
        self._span_ns = span_ns
        self._make = make
        self._most = most
        self._blocks: dict[int, tuple[Ints, Floats]] = {}

    def between(self, begin_ns: int, end_ns: int) -> tuple[Ints, Floats]:
        """Return times and scores in [begin_ns, end_ns)."""
        width = _BLOCK * BASE_NS
        found = [
            self._block(block) for block in range(begin_ns // width, (end_ns - 1) // width + 1)
        ]
        cut = []
        for time_ns, score in found:
            first, stop = np.searchsorted(time_ns, [begin_ns, end_ns])
            cut.append((time_ns[first:stop], score[first:stop]))
        if len(cut) == 1:
            return cut[0]
        return np.concatenate([one for one, _ in cut]), np.concatenate([one for _, one in cut])

    def _block(self, block: int) -> tuple[Ints, Floats]:
        if block not in self._blocks:
            if self._most is not None and len(self._blocks) >= self._most:
                # The one that was read first goes.
                self._blocks.pop(next(iter(self._blocks)))
            width = _BLOCK * BASE_NS
            begin = max(block * width, self._span_ns[0])
            end = min((block + 1) * width, self._span_ns[1])
            batch = self._recording.readings(self._joint, begin, end, channels=self._channels)
            self._blocks[block] = self._make(Series(batch, self._recording.hold_ns(self._joint)))
        return self._blocks[block]


def values_of(channel: str) -> Callable[[Series], tuple[Ints, Floats]]:
    """Return what `Rows` makes of a channel to give its readings as they are."""

    def made(series: Series) -> tuple[Ints, Floats]:
        at = series.of(channel)
        return at.time_ns, at.values

    return made


def series_of(channel: str, time_ns: Ints, values: Floats, *, hold_ns: int) -> Series:
    """Return such readings as a limit takes them."""
    batch = ReadingBatch(
        joint="",
        time_ns=time_ns,
        position_segment=np.empty(0, np.int32),
        columns={channel: values},
    )
    return Series(batch, {channel: hold_ns})


def pieces(heard: Heard) -> Iterator[tuple[int, int]]:
    """Yield the spans in which a stretch of a recording is looked at, on a grid of some hours."""
    at = heard.start_ns
    while at < heard.end_ns:
        until = min((at // _PIECE_NS + 1) * _PIECE_NS, heard.end_ns)
        yield at, until
        at = until


def by_pyramid(
    recording: Recording,
    joint: str,
    limits: Sequence[OfJoint],
    *,
    heed: Heed = lambda _share: None,
) -> list[Alerts]:
    """Return the alerts of levels (`Level`, `Outside`, `Touch`), as `full.in_full` does.

    `heed` is called with the share that is done, and may raise to end it.
    """
    hold_ns = recording.hold_ns(joint)
    changes: list[list[Flips]] = [[] for _ in limits]
    states = [LevelState() for _ in limits]
    known: dict[str, Seconds] = {}
    groups = shared(enumerate(limits), hold_ns)
    whole_ns = max(recording.end_ns - recording.start_ns, 1)
    for done, group in enumerate(groups):
        measure = group.measure
        assert isinstance(measure, Level | Outside | Touch), "what the caller has seen to"
        channel = measure.channel
        if channel not in known:
            known[channel] = seconds_of(recording, joint, channel)

        def made(series: Series, measure: Level | Outside | Touch = measure) -> tuple[Ints, Floats]:
            scores, _ = measured(measure, None, series)
            return scores.time_ns, scores.score

        for heard in heard_of(recording.events(), recording.start_ns, recording.end_ns):
            for one in group.sets:
                before = states[one.place]
                # What was running where the recorder ended begins anew.
                states[one.place] = LevelState(active=before.active, peak=before.peak)
            for span_ns in pieces(heard):
                heed((done + (span_ns[0] - recording.start_ns) / whole_ns) / len(groups))
                seconds = known[channel].within(*span_ns)
                rows = Rows(recording, joint, [channel], span_ns, made)
                course = _course(measure, seconds, rows, span_ns, hold_ns[channel])
                _walked(course, group.sets, states, changes, joint)
    return [alerts_of(found) for found in changes]


def _walked(
    course: Course,
    sets: Sequence[Set],
    states: list[LevelState],
    changes: list[list[Flips]],
    joint: str,
) -> None:
    """Take the limits of one group over a piece."""
    if len(course.low) == 0:
        return
    least, most = float(course.low.min()), float(course.high.max())
    for one in sets:
        state = states[one.place]
        if state.pending_ns is None:
            out_of_reach = least > one.drop_off if state.active else most < one.pick_up
            if out_of_reach:
                continue
        found, states[one.place] = walk(
            one.limit,
            state,
            course,
            pick_up=one.pick_up,
            drop_off=one.drop_off,
            joint=joint,
        )
        changes[one.place] += found


def _course(
    measure: Level | Outside | Touch,
    seconds: Seconds,
    rows: Rows,
    span_ns: tuple[int, int],
    hold_ns: int,
) -> Course:
    starts = np.maximum(seconds.start_ns, span_ns[0])
    ends = np.minimum(seconds.start_ns + BASE_NS, span_ns[1])
    low, high, low_had, high_had = _scores(measure, seconds)

    def between(first: int, stop: int) -> tuple[Ints, Floats]:
        return rows.between(int(starts[first]), int(ends[stop - 1]))

    return Course(
        start_ns=starts,
        end_ns=ends,
        low=low,
        high=high,
        low_had=low_had,
        high_had=high_had,
        hold_ns=hold_ns,
        scores=between,
    )


def _scores(measure: Level | Outside | Touch, seconds: Seconds) -> tuple[Floats, ...]:
    """Return low, high, low_had and high_had of `Course` for each second."""
    low, high = seconds.low, seconds.high
    low_had, high_had = low, high
    if not isinstance(measure, Touch) and measure.magnitude:
        sizes = np.abs(low), np.abs(high)
        low_had, high_had = np.minimum(*sizes), np.maximum(*sizes)
        low, high = np.where((low <= 0) & (high >= 0), 0.0, low_had), high_had
    if isinstance(measure, Outside):
        return _banded(measure, (low, high), (low_had, high_had))
    if isinstance(measure, Level) and not measure.rising:
        return -high, -low, -high_had, -low_had
    return low, high, low_had, high_had


def _banded(
    measure: Outside, span: tuple[Floats, Floats], had: tuple[Floats, Floats]
) -> tuple[Floats, ...]:
    """Return the same for two levels, where a score is on (1), off (-1) or between (0)."""
    (bottom, top), (lower, upper) = measure.outside, measure.clears_within
    on = [(one <= bottom) | (one >= top) for one in had]
    off = [(one >= lower) & (one <= upper) & ~is_on for one, is_on in zip(had, on, strict=True)]
    some_on = (span[0] <= bottom) | (span[1] >= top)
    some_off = (span[1] >= lower) & (span[0] <= upper)
    return (
        np.where(some_off, -1.0, np.where(on[0] & on[1], 1.0, 0.0)),
        np.where(some_on, 1.0, np.where(off[0] & off[1], -1.0, 0.0)),
        np.where(on[0] & on[1], 1.0, -1.0),
        np.where(off[0] & off[1], -1.0, 1.0),
    )
