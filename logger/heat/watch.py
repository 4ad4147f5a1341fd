"""What is told of a joint's heat live: estimates each second, a forecast every ten. Pure.

One object a joint; what it is fed decides what it tells, whatever the batches.
"""
# ruff: noqa: N815 - units are written as units are: K is a capital

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from logger.heat.fitted import FittedHeat
from logger.heat.forecast import Course, Futures, Passage, draw_futures
from logger.heat.observer import BRIDGED_STEPS, STEP_S, ObserverState, resolution_K
from logger.heat.outcomes import Outcomes
from logger.heat.track import HeatTrack, advance_track, load_rows
from logger.joint.batch import ReadingBatch

__all__ = [
    "ChannelForecast",
    "HeatForecast",
    "HeatState",
    "HeatWatch",
    "ModelChange",
    "NodeEstimate",
]

TOUCH_DEGC: Final = 48.0
"""Bare metal that may be touched for ten minutes (ISO 13732-1, as limits of kind `touch`)."""
AHEAD_S: Final = np.array(
    [0, 10, 20, 30, 45, 60, 90, 120, 180, 240, 300, 420, 600, 900, 1200, 1800, 2700, 3600], float
)
"""Instants of a course: dense where a page that shows minutes needs them."""
_SILENT_NS: Final = (BRIDGED_STEPS + 1) * STEP_S * 1_000_000_000
UNKNOWN_BAND_K: Final = 15.0
UNKNOWN_BAND_SHARE: Final = 0.6
"""A band of where it settles that is wider than both (the latter of its rise) says nothing."""


class HeatState(StrEnum):
    """Whether a joint's heat is forecast, or why not."""

    FORECAST = "forecast"
    STARTING = "starting"
    """A minute of load and temperature is needed, after a gap again."""
    WIDE = "wide"
    """The model leaves open too much at this load."""
    LEFT = "left"
    """The readings have left the model: cooling, heat or sensor are not as they were."""


@dataclass(frozen=True, slots=True)
class NodeEstimate:
    """The temperature of a node, and its standard uncertainty."""

    degC: float
    uncertainty_K: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelForecast:
    """Where one temperature goes."""

    channel: str
    settled_degC: tuple[float, float, float]
    rising: tuple[Passage, ...]
    """Of each level above it."""
    falling: Passage | None
    """To what may be touched; None where it is below that, or does not cool to it."""
    course: Course
    load: str
    """What the load to come was made of (`load_law.LoadLawKind`)."""
    period_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatForecast:
    """What was forecast at one instant."""

    time_ns: int
    state: HeatState
    since_ns: int | None
    """Since when the model was left."""
    channels: tuple[ChannelForecast, ...]
    outcomes: Outcomes


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelChange:
    """The joint has left its model, or is within it again."""

    time_ns: int
    since_ns: int | None
    """When it had left it; None: it has left it now."""


class HeatWatch:
    """Follows the heat of one joint."""

    def __init__(self, fitted: FittedHeat, hold_ns: Mapping[str, int]) -> None:
        """Begin; the keys of `hold_ns` are the channels that the joint carries."""
        self.fitted = fitted
        self._hold_ns = {name: hold_ns[name] for name in fitted.channels if name in hold_ns}
        self._new: list[ReadingBatch] = []
        self._track = HeatTrack()
        self._now: tuple[float, ...] | None = None
        self._counted = 0
        """Seconds of the present step that `_now` has passed."""
        self._outcomes = Outcomes()
        self._left_ns: int | None = None
        """When the joint was found to have left its model; None: it has not."""
        self._changes: list[ModelChange] = []

    def add_readings(self, readings: ReadingBatch) -> None:
        """Take readings, in order of time."""
        if len(readings):
            self._new.append(readings)

    def advance(
        self, mark_ns: int, levels: Mapping[str, Sequence[float]], *, forecasts: bool
    ) -> tuple[dict[str, NodeEstimate], HeatForecast | None]:
        """Return the estimates at a whole second, and the forecast of a step that is over.

        Parameters
        ----------
        mark_ns
            No reading before it may follow.
        levels
            Channel -> the levels whose time is asked for.
        forecasts
            Whether forecasts are made at all.
        """
        steps, self._track = advance_track(
            self.fitted,
            self._track,
            self._readings_before(mark_ns),
            hold_ns=self._hold_ns,
            until_ns=mark_ns,
        )
        forecast = None
        for end_ns, track in steps:
            self._outcomes = self._outcomes.after_step(end_ns // 1_000_000_000, track.highest)
            self._note_model(end_ns, track.state)
            known = track.state is not None and track.state.steps > 0
            if not known:
                self._outcomes = self._outcomes.after_gap()
            if forecasts:
                forecast = self._forecast(end_ns, track, levels)
        self._follow_seconds(mark_ns, is_step=bool(steps))
        return self._estimates(), forecast

    def take_model_changes(self) -> list[ModelChange]:
        """Return what happened to the model since the last call, in order of time."""
        changes, self._changes = self._changes, []
        return changes

    def _note_model(self, end_ns: int, state: ObserverState | None) -> None:
        """Note that the joint has left its model in a step, or is within it again."""
        has_left = state is not None and state.left_number is not None
        if has_left == (self._left_ns is not None):
            return
        self._changes.append(ModelChange(time_ns=end_ns, since_ns=self._left_ns))
        self._left_ns = end_ns if has_left else None

    def _readings_before(self, mark_ns: int) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """Return the new values of each channel before an instant; later ones wait."""
        if not self._new:
            return {}
        readings = ReadingBatch.concatenate(self._new, channels=tuple(self._hold_ns))
        row = int(np.searchsorted(readings.time_ns, mark_ns))
        later = readings.select_rows(slice(row, None))
        self._new = [later] if len(later) else []
        out = {}
        for channel, column in readings.columns.items():
            values = column[:row]
            known = ~np.isnan(values)
            if known.any():
                out[channel] = (readings.time_ns[:row][known], values[known])
        return out

    def _follow_seconds(self, mark_ns: int, *, is_step: bool) -> None:
        """Carry the likeliest joint through the seconds since the newest step.

        Of a joint that is silent for longer than is bridged nothing is known any more.
        """
        state = self._track.state
        if state is None or not state.steps or mark_ns - _end_ns(state) > _SILENT_NS:
            self._now = None
            return
        if is_step or self._now is None:
            self._now = tuple(state.mean_degC[0, :-1].tolist())
            self._counted = 0
        ambient = float(state.mean_degC[0, -1])
        for one in self._track.pending[self._counted :]:
            rows = load_rows(self.fitted, (one,))
            load = (*rows[0].tolist(), 0.0, 0.0)[:3] if len(rows) else state.load
            self._now = self.fitted.second.advance(self._now, ambient, load)
        self._counted = len(self._track.pending)

    def _estimates(self) -> dict[str, NodeEstimate]:
        """Return the estimate of each node and of the ambient, by its name."""
        state = self._track.state
        if self._now is None or state is None:
            return {}
        names = [channel.split("_")[1] for channel in self.fitted.sensors]
        out = {
            name: NodeEstimate(value, state.spread_K(node))
            for node, (name, value) in enumerate(zip(names, self._now, strict=True))
        }
        node = self.fitted.joint.nodes
        out["ambient"] = NodeEstimate(float(state.mean_degC[0, -1]), state.spread_K(node))
        return out

    def _forecast(
        self, end_ns: int, track: HeatTrack, levels: Mapping[str, Sequence[float]]
    ) -> HeatForecast:
        state, since_ns = track.state, None
        channels: tuple[ChannelForecast, ...] = ()
        says = HeatState.STARTING
        if state is not None and state.left_number is not None:
            says = HeatState.LEFT
            since_ns = end_ns - (state.number - state.left_number) * STEP_S * 1_000_000_000
        elif state is not None and track.is_known and track.history is not None:
            futures = draw_futures(self.fitted, state, track.history)
            channels = tuple(
                self._of_channel(futures[node], channel, state, levels.get(channel, ()))
                for node, channel in enumerate(self.fitted.sensors)
                if channel in self._hold_ns
            )
            says = HeatState.FORECAST
            if any(_is_wide(one, state) for one in channels):
                says, channels = HeatState.WIDE, ()
        for one in channels:
            self._outcomes = self._outcomes.with_forecast(
                end_ns // 1_000_000_000, one.channel, one.rising
            )
        return HeatForecast(
            time_ns=end_ns,
            state=says,
            since_ns=since_ns,
            channels=channels,
            outcomes=self._outcomes,
        )

    def _of_channel(
        self, futures: Futures, channel: str, state: ObserverState, levels: Iterable[float]
    ) -> ChannelForecast:
        count_K = resolution_K(state, channel)  # noqa: N806 - K is a unit
        now = float(np.median(futures.degC[:, 0]))
        cools = futures.settled_degC[1] < TOUCH_DEGC <= now
        return ChannelForecast(
            channel=channel,
            settled_degC=futures.settled_degC,
            rising=tuple(
                futures.passage(level, count_K=count_K) for level in levels if level > now
            ),
            falling=futures.passage_down(TOUCH_DEGC) if cools else None,
            course=futures.course(AHEAD_S),
            load=futures.law.kind.value,
            period_s=futures.law.period_s,
        )


def _end_ns(state: ObserverState) -> int:
    return (state.number + 1) * STEP_S * 1_000_000_000


def _is_wide(forecast: ChannelForecast, state: ObserverState) -> bool:
    """Return whether where it settles is as good as unknown."""
    low, middle, high = forecast.settled_degC
    if not math.isfinite(low):
        return False
    rise = abs(middle - float(state.mean_degC[0, -1]))
    return high - low > max(UNKNOWN_BAND_K, UNKNOWN_BAND_SHARE * rise)
