"""A frozen reading: a channel that does not move although the load says that it must.

From the first reading under load on, the channel must move by more than `within`; each time that it
does, the wait begins again from there. Over rest, and where the load is not known, the wait is
broken off but an alert stays: only a channel that moves has thawed. With `smoothing_s` the load is
its root mean square with that time constant (first order), so that pauses of a cycle do not count
as rest. A gap restarts the wait.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from logger.joint.bench.value import ChannelName
from logger.limits.kind import JointLimit, PositiveNumber, Scores
from logger.limits.series import ChannelSeries, Series
from logger.limits.tracking import HeldValue, hold_at_rows
from logger.settings_file import SettingError

__all__ = ["FrozenMemory", "Stuck", "measure_frozen"]

_SCALAR: Final = 12
"""So many readings are looked at one by one before arrays pay."""


class Stuck(JointLimit):
    """A channel must move while another says that there is load."""

    kind: Literal["frozen"] = "frozen"
    channel: ChannelName
    within: float = Field(default=0.0, ge=0, allow_inf_nan=False)
    """By no more than this it counts as not moving; in the channel's unit."""
    load: ChannelName
    load_above: PositiveNumber
    """Magnitude at or above which the channel must move; in the load's unit."""
    smoothing_s: float | None = Field(default=None, gt=0, le=86_400)
    on_delay_s: float = Field(gt=0, le=366 * 86_400.0)
    """For so long."""

    @model_validator(mode="after")
    def _fits(self) -> "Stuck":
        if self.load == self.channel:
            raise SettingError(
                "load", f"found {self.load!r}, the channel itself; expected another channel."
            )
        return self

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `JointLimit`."""
        return (("channel", self.channel), ("load", self.load))

    @property
    def reported_channel(self) -> str:
        """See `JointLimit`."""
        return self.channel

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Of an alert the first reading is told: the others are the same."""
        return np.zeros(len(values))


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenMemory:
    """From where the channel must move, and the load."""

    anchor: float | None = None
    """None: no load since it moved."""
    last: float | None = None
    """The newest reading."""
    load_ns: int | None = None
    load: float = 0.0
    """The newest load; smoothed, its magnitude."""
    square: float = 0.0
    """Mean square of the load."""


def measure_frozen(
    limit: Stuck, memory: FrozenMemory, series: Series
) -> tuple[Scores, FrozenMemory]:
    """Return on (has not moved under load), off (has moved), between (no load), and the memory."""
    readings = series.channel_series(limit.channel)
    rows = np.arange(len(series.batch)) if readings.rows is None else readings.rows
    high, memory = _loaded(limit, memory, rows, series)
    side = np.full(len(readings.values), -1.0)
    if len(readings.values):
        anchor = _walk(limit.within, memory, readings.values, high, side)
        memory = FrozenMemory(
            anchor=anchor,
            last=float(readings.values[-1]),
            load_ns=memory.load_ns,
            load=memory.load,
            square=memory.square,
        )
    scores = Scores(
        time_ns=readings.time_ns,
        batch_rows=readings.rows,
        score=side,
        reported=readings.values,
        pick_up=1.0,
        drop_off=-1.0,
        hold_ns=series.hold_ns[limit.channel],
    )
    return scores, memory


def _walk(
    within: float,
    memory: FrozenMemory,
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
    """Return the first place from `at` on that is not within; the end where there is none."""
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
    limit: Stuck, memory: FrozenMemory, rows: NDArray[np.intp], series: Series
) -> tuple[NDArray[np.bool_], FrozenMemory]:
    """Return whether there is load at each row, and the memory with the newest load."""
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
    return known & (np.abs(size) >= limit.load_above), FrozenMemory(
        anchor=memory.anchor,
        last=memory.last,
        load_ns=newest.time_ns,
        load=newest.value,
        square=square,
    )


def _smoothed(
    tau_s: float, memory: FrozenMemory, load: ChannelSeries, hold_ns: int
) -> tuple[NDArray[np.float64], float]:
    """Return the root mean square at each value of the load, and the mean square at the last."""
    first_ns = load.time_ns[0] if memory.load_ns is None else memory.load_ns
    span = np.minimum(np.diff(load.time_ns, prepend=first_ns), hold_ns) * (-1e-9 / tau_s)
    grown = -np.expm1(span)
    power = np.concatenate(([memory.load], load.values[:-1])) ** 2
    squares, square = [], memory.square
    for part, full in zip(grown.tolist(), power.tolist(), strict=True):
        square += part * (full - square)
        squares.append(square)
    return np.sqrt(np.array(squares)), square
