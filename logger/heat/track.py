"""The heat of one joint, second after second: readings in, estimates and forecasts out. Pure.

The state is never changed in place: what was given stays as it was. A step is over once a second
behind it is known to be over, so any chunking of the readings gives the same steps to the bit.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.fitted import FittedHeat
from logger.heat.load_law import HISTORY_S
from logger.heat.observer import STEP_S, HeatStep, ObserverState, advance_observer
from logger.heat.seconds import ChannelValues, HeatSecond, SecondsMemory, add_heat_readings

__all__ = ["KNOWN_STEPS", "HeatTrack", "advance_track", "load_rows"]

KNOWN_STEPS: Final = 6
"""A minute of readings, before which nothing is said of where a joint goes."""
_LEAST_HELD_S: Final = 0.5
"""Of a second in which a load was held: with less it is not known."""


@dataclass(frozen=True, slots=True)
class HeatTrack:
    """Everything that is kept of one joint between batches of readings."""

    seconds: SecondsMemory = field(default_factory=SecondsMemory)
    pending: tuple[HeatSecond, ...] = ()
    """Seconds of a step that is not over."""
    state: ObserverState | None = None
    history: Floats | None = None
    """The load of the last known seconds, as `load_law.LoadLaw` has it."""
    step: HeatStep | None = None
    """The newest step."""
    highest: Mapping[str, float] = field(default_factory=dict)
    """Temperature channel -> highest reading of the newest step."""

    @property
    def is_known(self) -> bool:
        """Whether the state has been followed for long enough to say where it goes."""
        state = self.state
        return (
            state is not None
            and state.steps >= KNOWN_STEPS
            and state.left_number is None
            and self.history is not None
            and len(self.history) >= KNOWN_STEPS * STEP_S
        )


def advance_track(
    fitted: FittedHeat,
    track: HeatTrack,
    readings: ChannelValues,
    *,
    hold_ns: Mapping[str, int],
    until_ns: int,
) -> tuple[list[tuple[int, HeatTrack]], HeatTrack]:
    """Return each step that is over, by the time of its end in ns, with the track there.

    Parameters
    ----------
    readings
        The next values of each of `fitted.channels`.
    until_ns
        No later reading is older than this.
    """
    loads = tuple(one for one in fitted.loads if one in hold_ns)
    new_seconds, memory = add_heat_readings(
        track.seconds, readings, loads=loads, hold_ns=hold_ns, until_ns=until_ns
    )
    over = until_ns // 1_000_000_000
    track = replace(track, seconds=memory)
    steps = []
    for number, group in _by_step((*track.pending, *new_seconds)):
        if (number + 1) * STEP_S > over:
            track = replace(track, pending=group)
            break
        track = replace(_after_step(fitted, track, number, group), pending=())
        steps.append(((number + 1) * STEP_S * 1_000_000_000, track))
    return steps, track


def _by_step(seconds: tuple[HeatSecond, ...]) -> Iterator[tuple[int, tuple[HeatSecond, ...]]]:
    begin = 0
    for end in range(1, len(seconds) + 1):
        number = seconds[begin].second // STEP_S
        if end == len(seconds) or seconds[end].second // STEP_S != number:
            yield number, seconds[begin:end]
            begin = end


def _after_step(
    fitted: FittedHeat, track: HeatTrack, number: int, seconds: tuple[HeatSecond, ...]
) -> HeatTrack:
    rows = load_rows(fitted, seconds)
    known = 2 * len(rows) >= STEP_S
    means = rows.mean(axis=0).tolist() if known else [math.nan]
    square, speed, speed_square = (*means, 0.0, 0.0)[:3]
    step = HeatStep(
        number=number,
        mean_square=square,
        mean_speed=speed,
        mean_square_speed=speed_square,
        readings=_means(seconds),
        fine=frozenset().union(*(one.fine for one in seconds)),
    )
    highest: dict[str, float] = {}
    for one in seconds:
        for channel, value in one.highest.items():
            highest[channel] = max(value, highest.get(channel, -math.inf))
    return replace(
        track,
        state=advance_observer(fitted, track.state, step),
        history=rows
        if track.history is None
        else np.concatenate([track.history, rows])[-HISTORY_S:],
        step=step,
        highest=highest,
    )


def load_rows(fitted: FittedHeat, seconds: tuple[HeatSecond, ...]) -> Floats:
    """Return the load of those seconds in which it is known, shape (n, 3)."""
    load = fitted.load_channel
    held = [one for one in seconds if one.held_s.get(load, 0.0) >= _LEAST_HELD_S]
    if len(fitted.loads) == 1:
        return np.array([one.mean_square[load] for one in held])[:, None]
    rows = [
        (
            one.mean_square[load],
            one.mean_magnitude.get("speed_rad_s", 0.0),
            one.mean_square.get("speed_rad_s", 0.0),
        )
        for one in held
    ]
    return np.array(rows).reshape(-1, 3)


def _means(seconds: tuple[HeatSecond, ...]) -> dict[str, float]:
    """Return the mean reading of each temperature over the seconds that have one."""
    sums: dict[str, list[float]] = {}
    for one in seconds:
        for channel, value in one.mean.items():
            sums.setdefault(channel, []).append(value)
    return {channel: math.fsum(values) / len(values) for channel, values in sums.items()}
