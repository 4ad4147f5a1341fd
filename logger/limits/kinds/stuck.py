"""A stuck (frozen) reading: a channel that does not move although there is load.

From the first reading under load on, the channel must move by more than `within`; each time that it
does, the delay starts again there. At rest the delay is broken off but an alert stays active: only
a channel that moves is no longer stuck. With `smoothing_s` the load
is its root mean square with that time constant (first order), so that pauses of a cycle do not
count as rest.

Gaps: while the load is unknown, a reading that has not moved is not judged; one that has moved ends
an alert all the same. A delay runs on over a gap of either that is short against it
(logger/limits/gaps.py) and starts again after a longer one; an alert stays.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from logger.joint.bench.value import ChannelName
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.kind import LimitForm, PositiveNumber, SummaryStyle
from logger.limits.phrases import Phrases, format_channel_value, format_span
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import LimitMemory, Scores
from logger.limits.series import ChannelSeries, HeldValue, Series, hold_at_rows
from logger.limits.thresholds import (
    at_least,
    at_most,
    difference_grids,
    magnitude_grids,
)
from logger.settings_file import SettingError

__all__ = ["Stuck", "StuckMemory", "measure_stuck"]

_SCALAR: Final = 12
"""Below so many readings a plain loop is faster than arrays."""
_SHORT_S: Final = 3.0
"""A delay shorter than this need not cover a whole second."""


class Stuck(ScoredLimit):
    """A channel must move while another shows load."""

    kind: Literal["frozen"] = "frozen"
    channel: ChannelName
    within: float = Field(default=0.0, ge=0, allow_inf_nan=False)
    """A change of at most this counts as not moving; in the channel's unit."""
    load: ChannelName
    load_above: PositiveNumber
    """Magnitude at or above which the channel must move; in the load's unit."""
    smoothing_s: float | None = Field(default=None, gt=0, le=86_400)
    on_delay_s: float = Field(gt=0, le=366 * 86_400.0)
    """How long it may stay within that under load."""

    has_handles: ClassVar[bool] = False
    peak_is_first: ClassVar[bool] = True
    alone_over_restarts: ClassVar[bool] = True
    form: ClassVar[LimitForm] = LimitForm(
        key="frozen",
        words="frozen reading",
        blank={
            "channel": "temperature_housing_degC",
            "load": "current_A",
            "load_above": 3.0,
            "smoothing_s": 30.0,
            "on_delay_s": 300.0,
        },
        keys={
            "within": ("does not move by", "channel"),
            "load": ("while there is", ""),
            "load_above": ("of at least", "load"),
            "smoothing_s": ("smoothed over", "s"),
        },
    )
    example: ClassVar[str] = """\
# A reading that does not move by more than `within` although there is load.
[[limit]]
name        = "housing-frozen"
kind        = "frozen"
severity    = "warning"
channel     = "temperature_housing_degC"
within      = 0.0
load        = "current_A"
load_above  = 6.0
smoothing_s = 30.0         # the load as RMS, so that pauses of a cycle are no rest
on_delay_s  = 600.0
"""

    @model_validator(mode="after")
    def _fits(self) -> "Stuck":
        if self.load == self.channel:
            raise SettingError(
                "load", f"found {self.load!r}, the channel itself; expected another channel."
            )
        return self

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("channel", self.channel), ("load", self.load))

    @property
    def reported_channel(self) -> str:
        """See `LimitKind`."""
        return self.channel

    @cached_property
    def moves_beyond(self) -> float:
        """A change of at most this is none: of `within`, or rounded."""
        grids = self.grids_of(self.channel)
        return at_most(self.within, difference_grids(grids, grids))

    @cached_property
    def loaded_from(self) -> float:
        """The magnitude of the load from which on there is one."""
        if self.smoothing_s is not None:
            # A root mean square over time is no count: it comes near a level without being at it.
            return self.load_above
        return at_least(self.load_above, magnitude_grids(self.grids_of(self.load)))

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return equal ranks: the first reading is reported, since all of them are equal."""
        return np.zeros(len(values))

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {self.channel: "extremes", self.load: "rms"}

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return StuckMemory()

    def memory_after_restart(
        self, memory: LimitMemory | None, standing: float | None, time_ns: int
    ) -> LimitMemory:
        """See `JointLimit`; it must move away from its value then, or it is still stuck."""
        known = standing is not None and not math.isnan(standing)
        return StuckMemory(anchor=standing if known else None)

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, StuckMemory), "`initial_memory` gave it"
        return measure_stuck(self, memory, series)

    def rules_out(self, second: NDArray[np.int32], values: NDArray[np.float64]) -> bool:
        """See `ScoredLimit`.

        A wait of k seconds covers a whole block of k / 2 on any grid, within which all values lie
        within twice `within` of each other. Where no block does, nothing needs to be evaluated.
        """
        if self.on_delay_s < _SHORT_S or len(second) == 0:
            return False
        block = max(int(self.on_delay_s) // 2, 1)
        first = np.flatnonzero(np.diff(second // block, prepend=-1))
        high = np.fmax.reduceat(values.max(axis=1), first)
        low = np.fmin.reduceat(values.min(axis=1), first)
        return not np.any(high - low <= 2.0 * self.moves_beyond)

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        what, load = channel_named(self.channel).label, channel_named(self.load).label
        level = format_channel_value(self.load, self.load_above, displays=displays)
        if self.smoothing_s is not None:
            load = f"{load} (RMS over about {format_span(self.smoothing_s)})"
        more = (
            f" by more than {format_channel_value(self.channel, self.within)}"
            if self.within
            else ""
        )
        still = f"does not move{more} while the {load} is at or above {level}"
        return Phrases(
            label=f"{what} frozen",
            subject=f"the {what} of {self.joint or 'any joint'}",
            reaches=still,
            stays=still,
            clears="when it moves",
            back=f"{what} moves again",
            extreme="stood at",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckMemory(LimitMemory):
    """The value that the channel must move away from, and the load."""

    anchor: float | None = None
    """None: no load since it moved."""
    last: float | None = None
    """The newest reading."""
    load_ns: int | None = None
    load: float = 0.0
    """The newest load; smoothed, its magnitude."""
    square: float = 0.0
    """Mean square of the load."""


def measure_stuck(limit: Stuck, memory: StuckMemory, series: Series) -> tuple[Scores, StuckMemory]:
    """Return on (has not moved under load), off (has moved), between (no load), and the memory."""
    at = series.channel_series(limit.channel)
    rows = np.arange(len(series.batch)) if at.rows is None else at.rows
    high, known, memory = _loaded(limit, memory, rows, series)
    side = np.full(len(at.values), -1.0)
    if len(at.values):
        anchor = _walk(limit.moves_beyond, memory, at.values, high, side)
        memory = StuckMemory(
            anchor=anchor,
            last=float(at.values[-1]),
            load_ns=memory.load_ns,
            load=memory.load,
            square=memory.square,
        )
    is_scored = known | (side != 0.0)
    if is_scored.all():
        time_ns, scored_rows, values = at.time_ns, at.rows, at.values
    else:
        time_ns, scored_rows, values = at.time_ns[is_scored], rows[is_scored], at.values[is_scored]
        side = side[is_scored]
    scores = Scores(
        time_ns=time_ns,
        batch_rows=scored_rows,
        score=side,
        reported=values,
        pick_up=1.0,
        drop_off=-1.0,
        hold_ns=series.hold_ns[limit.channel],
    )
    return scores, memory


def _walk(
    within: float,
    memory: StuckMemory,
    values: NDArray[np.float64],
    high: NDArray[np.bool_],
    side: NDArray[np.float64],
) -> float | None:
    """Set `side` (off so far) where the channel has not moved; return the anchor at the end."""
    anchor, n = memory.anchor, len(values)
    loaded = np.flatnonzero(high)
    before = np.concatenate(([np.nan if memory.last is None else memory.last], values[:-1]))
    # Further from the reading before than both can be from one anchor: moved, whatever it was.
    leaps = high & (np.abs(values - before) > 2.0 * within)
    stays = np.flatnonzero(~leaps)
    at = 0
    while at < n:
        if anchor is None:
            place = int(np.searchsorted(loaded, at))
            if place == len(loaded):
                return None
            at = int(loaded[place])
            anchor = float(values[at])
            side[at] = 1.0
            at += 1
            continue
        if leaps[at]:
            place = int(np.searchsorted(stays, at))
            at = int(stays[place]) if place < len(stays) else n
            anchor = float(values[at - 1])
            continue
        stop = _moved(values, at, anchor, within)
        side[at:stop] = high[at:stop]
        at = stop
        if at < n:
            anchor = float(values[at]) if high[at] else None
            at += 1
    return anchor


def _moved(values: NDArray[np.float64], at: int, anchor: float, within: float) -> int:
    """Return the first index from `at` on with a value that is not within; the end for none."""
    for place, value in enumerate(values[at : at + _SCALAR].tolist(), start=at):
        if abs(value - anchor) > within:
            return place
    at, ahead = at + _SCALAR, 4 * _SCALAR
    while at < len(values):
        away = np.abs(values[at : at + ahead] - anchor) > within
        place = int(away.argmax())
        if away[place]:
            return at + place
        at += ahead
        ahead = min(2 * ahead, 65_536)
    return len(values)


def _loaded(
    limit: Stuck, memory: StuckMemory, rows: NDArray[np.intp], series: Series
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], StuckMemory]:
    """Return whether there is load at each row, whether it is known, and the memory with it."""
    load = series.channel_series(limit.load)
    before = HeldValue(time_ns=memory.load_ns, value=memory.load)
    square = memory.square
    if limit.smoothing_s is not None and len(load.values):
        smooth, square = _smoothed(limit.smoothing_s, memory, load, series.hold_ns[limit.load])
        values = ChannelSeries(time_ns=load.time_ns, values=smooth, rows=load.rows)
    else:
        values = load
    if limit.smoothing_s is None:
        size, known, newest = hold_at_rows(rows, limit.load, before, series)
    else:
        size, known, newest = hold_at_rows(
            rows,
            limit.load,
            HeldValue(time_ns=memory.load_ns, value=float(np.sqrt(memory.square))),
            series.with_channel(limit.load, values),
        )
        newest = HeldValue(
            time_ns=newest.time_ns,
            value=float(load.values[-1]) if len(load.values) else memory.load,
        )
    memory = StuckMemory(
        anchor=memory.anchor,
        last=memory.last,
        load_ns=newest.time_ns,
        load=newest.value,
        square=square,
    )
    return known & (np.abs(size) >= limit.loaded_from), known, memory


def _smoothed(
    tau_s: float, memory: StuckMemory, load: ChannelSeries, hold_ns: int
) -> tuple[NDArray[np.float64], float]:
    """Return the smoothed RMS at each value of the load, and the mean square at the last one."""
    first_ns = load.time_ns[0] if memory.load_ns is None else memory.load_ns
    span = np.minimum(np.diff(load.time_ns, prepend=first_ns), hold_ns) * (-1e-9 / tau_s)
    grown = -np.expm1(span)
    power = np.concatenate(([memory.load], load.values[:-1])) ** 2
    square = memory.square
    # One after the other, so that it is the same to the last bit in any chunking.
    squares = [
        square := square + part * (full - square)
        for part, full in zip(grown.tolist(), power.tolist(), strict=True)
    ]
    return np.sqrt(np.array(squares)), square
