"""The values that the joint's movement tells: position, speed, load. Pure."""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.layout_finder.load import LoadFit, fit_load
from logger.layout_finder.motion import PositionFit, bin_signal, fit_position
from logger.layout_finder.signals import Signal
from logger.layout_finder.slow_values import Heating
from logger.layout_finder.speed import SpeedFit, fit_speed, fit_speed_alone
from logger.layout_finder.traffic import Marks, TypedNumbers, frames_in

__all__ = ["JointValues", "find_joint_values", "needed_slowness"]

MIN_BITS: Final = 6
MAX_MODULUS_SHARE: Final = 0.2
"""Of an encoder's turn, moved in one frame: five frames a turn."""
MAX_RATIO_SPREAD: Final = 0.02
"""Beyond this a load does not tell whether the turn was one."""
_SAME_JOINT: Final = 0.03
_NEXT_TO_NO_NOISE: Final = 0.35
_SMOOTHER: Final = 0.85
_NOISE_OF_MEASURED: Final = 0.01
"""Third differences of a load that is measured, over its spread: most have more."""


@dataclass(frozen=True, eq=False)
class JointValues:
    """What was found, by the place of the signal."""

    positions: dict[int, PositionFit]
    speeds: dict[int, SpeedFit]
    loads: dict[int, LoadFit]
    reference: PositionFit | None
    """The position that the others are held against, reported or integrated from a speed."""
    turn_error: float
    """How many turns the typed turn was, less one: by the weight, else by the load step's span."""
    other_joint: bool
    """Two measured values turned, and not together."""
    commanded_kinds: frozenset[int] = frozenset()
    """Kinds that ask for what others report."""
    commanded_loads: frozenset[int] = frozenset()
    """Loads that were asked for, by place: a frame that reports may repeat what was asked."""
    doubtful_loads: frozenset[int] = frozenset()
    """Loads beside another that is about as noisy: one of them may be what was asked for."""
    heating: Heating | None = None
    """The heat of the load, where a position tells it."""
    reference_s: Floats = field(default_factory=lambda: np.zeros(0))
    """When the reference was where it was."""


def needed_slowness(signal: Signal, marks: Marks) -> float:
    """Return how many times slower the turn must be for five frames an encoder turn; 1: it is.

    Above half of a turn in each frame the true speed is not seen: the answer is the least.
    """
    if signal.modulus is None or marks.turn is None:
        return 1.0
    value = signal.value[frames_in(signal.time_s, marks.turn)]
    if len(value) < 10:
        return 1.0
    steps = np.diff(value)
    steps = np.abs(steps - signal.modulus * np.round(steps / signal.modulus))
    return max(1.0, float(np.quantile(steps, 0.9)) / (MAX_MODULUS_SHARE * signal.modulus))


def _way_at(time_s: Floats, signal: Signal, fit: PositionFit) -> Floats:
    way = np.interp(time_s, signal.time_s, fit.unwrapped) * fit.rad_per_count
    return np.asarray(way - way[0])


def _moves_alone(signals: Sequence[Signal], positions: dict[int, PositionFit]) -> bool:
    """Return whether two measured positions do not go together in the turn."""
    measured = [place for place, fit in positions.items() if not fit.still_at_rest]
    for number, place in enumerate(measured):
        for other in measured[:number]:
            one, two = positions[place], positions[other]
            if one.marks.turn is None:
                continue
            time_s = signals[place].time_s[frames_in(signals[place].time_s, one.marks.turn)]
            difference = _way_at(time_s, signals[place], one) - _way_at(time_s, signals[other], two)
            if float(np.max(np.abs(difference))) > _SAME_JOINT * 2.0 * math.pi:
                return True
    return False


def _quality(signals: Sequence[Signal], place: int, fit: PositionFit) -> tuple[bool, float]:
    error = 0.0 if math.isnan(fit.half_turn_error) else abs(fit.half_turn_error)
    resolution = 1.0 / abs(fit.travel_counts)
    return fit.still_at_rest, error + fit.closure + resolution + 0.01 * (
        signals[place].margin_bits < 20.0
    )


def find_joint_values(signals: Sequence[Signal], marks: Marks, typed: TypedNumbers) -> JointValues:
    """Return positions, speeds and loads among signals."""
    wide = {
        place: signal
        for place, signal in enumerate(signals)
        if signal.field.length >= MIN_BITS and np.ptp(signal.value) > 0.0
    }
    positions: dict[int, PositionFit] = {}
    for place, signal in wide.items():
        fit = fit_position(signal.time_s, signal.value, signal.modulus, marks, typed.positive)
        if fit is not None:
            positions[place] = fit
    speeds: dict[int, SpeedFit] = {}
    loads: dict[int, LoadFit] = {}
    reference: PositionFit | None = None
    reference_s = np.zeros(0)
    if positions:
        best = min(positions, key=lambda place: _quality(signals, place, positions[place]))
        reference, reference_s = positions[best], signals[best].time_s
    else:
        alone = {
            place: both
            for place, signal in wide.items()
            if (both := fit_speed_alone(signal.time_s, signal.value, marks, typed.positive))
        }
        if alone:
            place = min(
                alone,
                key=lambda one: (
                    abs(np.nan_to_num(alone[one][0].half_turn_error)) + alone[one][0].closure
                ),
            )
            speeds[place], reference = alone[place]
            reference_s = signals[place].time_s
    if reference is None:
        return JointValues(
            *(positions, speeds, loads, None), turn_error=math.nan, other_joint=False
        )
    for place, signal in wide.items():
        if place in positions or place in speeds:
            continue
        speed = fit_speed(signal.time_s, signal.value, reference_s, reference)
        if speed is not None:
            speeds[place] = speed
            continue
        load = fit_load(signal.time_s, signal.value, reference_s, reference, typed)
        if load is not None:
            loads[place] = load
    asking = _commanded_kinds(signals, reference.marks, (positions, speeds))
    noise = _noise_of_loads({place: signals[place] for place in loads})
    return JointValues(
        *(positions, speeds, loads, reference),
        turn_error=_turn_error(reference, loads.values()),
        other_joint=_moves_alone(signals, positions),
        commanded_kinds=asking,
        commanded_loads=_commanded_loads(signals, asking, noise),
        doubtful_loads=_doubtful_loads(noise),
        heating=_heating_of(reference, reference_s),
        reference_s=reference_s,
    )


def _commanded_kinds(
    signals: Sequence[Signal], marks: Marks, groups: Sequence[Collection[int]]
) -> frozenset[int]:
    """Return the kinds that ask: one of their values is quite still at rest, and noisy elsewhere.

    `groups` are the positions, and the speeds. One commanded value tells what others of its frame
    are that have no noise either.
    """
    asking: set[int] = set()
    reporting: set[int] = set()
    for group in groups:
        is_still = {}
        for place in group:
            resting = signals[place].value[frames_in(signals[place].time_s, marks.rest)]
            is_still[place] = len(resting) > 1 and float(np.ptp(resting)) == 0.0
        noisy = {signals[place].kind for place in group if not is_still[place]}
        reporting |= noisy
        asking |= {signals[place].kind for place in group if is_still[place]} if noisy else set()
    return frozenset(asking - reporting)


def _commanded_loads(
    signals: Sequence[Signal], asking: Collection[int], noise: dict[int, float]
) -> frozenset[int]:
    """Return the loads that were more likely asked for: smoother than another.

    One alone is, where its frame asks, and it has next to no noise.
    """
    most = max(noise.values(), default=0.0)
    return frozenset(
        place
        for place, own in noise.items()
        if own < _SMOOTHER * most
        or (len(noise) == 1 and signals[place].kind in asking and own < _NOISE_OF_MEASURED)
    )


def _noise_of_loads(loads: dict[int, Signal]) -> dict[int, float]:
    """Return the noise of loads, by place, each as often as the one that comes most seldom.

    At a greater rate the same noise bends less from frame to frame.
    """
    if not loads:
        return {}
    seldom = min(len(signal.value) for signal in loads.values())
    return {
        place: _noise_of(signal.value[:: max(1, round(len(signal.value) / seldom))])
        for place, signal in loads.items()
    }


def _turn_error(reference: PositionFit, loads: Collection[LoadFit]) -> float:
    """Return how many turns the typed turn was, less one.

    A weight tells it whatever the swing was; the span of the load step is as true as the person
    that held the arm at +90 and -90 degrees.
    """
    surest = min(loads, key=lambda load: load.turn_ratio_spread, default=None)
    if surest is not None and surest.turn_ratio_spread < MAX_RATIO_SPREAD:
        return surest.turn_ratio - 1.0
    return -reference.half_turn_error


def _doubtful_loads(noise: dict[int, float]) -> frozenset[int]:
    """Return the loads that have another of about their noise beside them, by place."""
    return frozenset(
        place
        for place, own in noise.items()
        if any(
            other != place and _NEXT_TO_NO_NOISE * max(own, theirs) < min(own, theirs)
            for other, theirs in noise.items()
        )
    )


def _noise_of(value: Floats) -> float:
    """Return the size of third differences, over the spread: next to nothing of a smooth course."""
    thirds = np.diff(value, 3)
    return float(np.mean(np.abs(thirds))) / max(float(np.ptp(value)), 1e-12)


def _heating_of(position: PositionFit, time_s: Floats) -> Heating | None:
    """Return the heat of the load: of the square of the weight's torque, from the load step on."""
    marks = position.marks
    if marks.load is None:
        return None
    at_s, counts = bin_signal(time_s, position.unwrapped, 0.2)
    hanging = float(np.interp(marks.load[0], at_s, counts))
    lever = np.sin((counts - hanging) * position.rad_per_count)
    return Heating(at_s, np.where(at_s >= marks.load[0], lever**2, 0.0))
