"""What is done on the bench, scene after scene: by a controller, by a hand, and what is read off.

The order is the one of `dutytrace measure plan`: turns first, then what needs no clamp, torque per
ampere before ceilings and loops. Each scene is named as the measurement names its spans. Pure.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from logger.simulate.commissioning.dynamics import ControlMode, SetPoint
from logger.simulate.commissioning.mounting import (
    ARM,
    ARM_LENGTH_M,
    CLAMPED,
    FREE,
    LONG_ARM,
    ON_SCALE,
    Mounting,
)

__all__ = ["RATED_TORQUE_NM", "ReadOff", "Scene", "commissioning_scenes"]

RATED_TORQUE_NM: Final = 12.0
_LEVELS: Final = 8
_LOOP_S: Final = 60.0
_NUDGED: Final = (3, 6)
"""Levels that are read again after a nudge, up and down."""
_NUDGE_NM: Final = 0.5
_PUSHES_N: Final = (10.0, -10.0, 30.0, -30.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOff:
    """A moment at which a person reads an instrument."""

    at_s: float
    """Within the scene."""
    instrument: Literal["mark", "ruler", "scale"]
    force_N: float = 0.0  # noqa: N815 - the unit's own spelling
    """With which the hand pushes the tip."""
    is_nudged: bool = False
    """The scale again, after the arm was nudged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One stretch of the programme."""

    name: str
    words: str
    """What is done, for who watches."""
    length_s: float
    mounting: Mounting
    setpoint: Callable[[float], SetPoint]
    """Time within the scene -> what is asked for."""
    external_Nm: Callable[[float], float] = lambda _time_s: 0.0  # noqa: N815
    readings: tuple[ReadOff, ...] = ()


def commissioning_scenes() -> tuple[Scene, ...]:
    """Return the programme: about ten minutes, ending at the zero where it began."""
    return (
        _rest(8.0),
        *_turns(),
        *_friction(),
        _move("to the zero", 0.0),
        *_swings(),
        *_torque_levels(),
        *_ceilings(),
        _move("to the zero", 0.0),
        _tip(),
        *_loops(),
        _move("to the zero", 0.0),
    )


def _rest(length_s: float) -> Scene:
    return Scene(
        name="rest",
        words="stands, the drive off",
        length_s=length_s,
        mounting=FREE,
        setpoint=lambda _time_s: SetPoint("off"),
    )


def _move(name: str, to_rad: float) -> Scene:
    return Scene(
        name=name,
        words=f"moves to {math.degrees(to_rad):.0f} degrees",
        length_s=6.0,
        mounting=FREE,
        setpoint=lambda _time_s: SetPoint("position", to_rad),
    )


def _along(
    mode: ControlMode, times_s: Sequence[float], values: Sequence[float]
) -> Callable[[float], SetPoint]:
    """Return a set-point along straight lines between corners."""
    corners_s, corners = np.asarray(times_s), np.asarray(values)
    return lambda time_s: SetPoint(mode, float(np.interp(time_s, corners_s, corners)))


def _both_ways(
    mode: ControlMode, value: float, *, on_s: float, every_s: float
) -> Callable[[float], SetPoint]:
    """Return a set-point that comes with either sign in turn, and is zero between."""

    def setpoint(time_s: float) -> SetPoint:
        number, within = divmod(time_s, every_s)
        sign = 1.0 if number % 2 == 0 else -1.0
        return SetPoint(mode, sign * value if within < on_s else 0.0)

    return setpoint


def _turns() -> Iterator[Scene]:
    turn = 2.0 * math.pi
    for name, start, end in (("out", 0.0, 5.0 * turn), ("back", 5.0 * turn, 0.0)):
        yield Scene(
            name=name,
            words=f"turns from {start / turn:.0f} to {end / turn:.0f} turns, mark to mark",
            length_s=16.0,
            mounting=FREE,
            setpoint=_along("position", (0.5, 13.5), (start, end)),
            readings=(ReadOff(at_s=15.5, instrument="mark"),),
        )


def _friction() -> Iterator[Scene]:
    for speed, pass_s in ((0.5, 4.0), (1.5, 2.0), (3.0, 1.2)):
        every_s = pass_s + 0.6
        yield Scene(
            name=f"passes{speed:g}".replace(".", "-"),
            words=f"passes both ways at {speed:g} rad/s, five each, the axis level and bare",
            length_s=10.0 * every_s,
            mounting=FREE,
            setpoint=_both_ways("speed", speed, on_s=pass_s, every_s=every_s),
        )


def _swings() -> Iterator[Scene]:
    for number in range(1, 4):
        yield Scene(
            name=f"push{number}",
            words="a long arm hangs, held by the drive; a hand pushes it",
            length_s=1.0,
            mounting=LONG_ARM,
            setpoint=lambda _time_s: SetPoint("position", 0.0),
            external_Nm=lambda time_s: 9.0 if 0.7 < time_s < 0.95 else 0.0,
        )
        yield Scene(
            name=f"swing{number}",
            words="the arm is left to swing",
            length_s=6.0,
            mounting=LONG_ARM,
            setpoint=lambda _time_s: SetPoint("position", 0.0),
        )


def _torque_levels() -> Iterator[Scene]:
    levels = [RATED_TORQUE_NM * (number + 1) / _LEVELS for number in range(_LEVELS)]
    before = 0.0
    for name, torques in (("up", levels), ("down", levels[-2::-1])):
        for number, torque in enumerate(torques, start=1):
            yield Scene(
                name=f"to {name}{number}",
                words=f"the torque goes on to {torque:.3g} N.m",
                length_s=1.5,
                mounting=ON_SCALE,
                setpoint=_along("torque", (0.0, 1.4), (before, torque)),
            )
            yield Scene(
                name=f"{name}{number}",
                words=f"the arm presses on the scale, {torque:.3g} N.m asked",
                length_s=2.5,
                mounting=ON_SCALE,
                setpoint=_along("torque", (0.0, 1.0), (torque, torque)),
                readings=(ReadOff(at_s=2.0, instrument="scale"),),
            )
            if number in _NUDGED:
                yield _nudge(f"{name}{number}", torque, lifts=name == "up")
            before = torque
    yield Scene(
        name="off the scale",
        words="stands on the scale without torque",
        length_s=2.0,
        mounting=ON_SCALE,
        setpoint=lambda _time_s: SetPoint("torque", 0.0),
    )


def _nudge(level: str, torque: float, *, lifts: bool) -> Scene:
    """Return the same level again after a hand lifted the arm a little, or pressed it.

    Against the way that the torque came: the other way the friction would turn around, and the
    scale would show another thing.
    """
    push = -_NUDGE_NM if lifts else _NUDGE_NM
    return Scene(
        name=f"{level}-nudged",
        words=f"a hand {'lifts' if lifts else 'presses'} the arm a little and lets go",
        length_s=3.0,
        mounting=ON_SCALE,
        setpoint=lambda _time_s: SetPoint("torque", torque),
        external_Nm=lambda time_s: push * max(1.0 - abs(time_s - 0.6) / 0.4, 0.0),
        readings=(ReadOff(at_s=2.5, instrument="scale", is_nudged=True),),
    )


def _ceilings() -> Iterator[Scene]:
    yield Scene(
        name="torque1",
        words="torque mode, held fast: twice the rated torque is asked for, sixteen times",
        length_s=16 * 1.6,
        mounting=CLAMPED,
        setpoint=_both_ways("torque", 2.0 * RATED_TORQUE_NM, on_s=0.7, every_s=1.6),
    )
    yield Scene(
        name="speed1",
        words="speed mode, bare: more speed than the supply has voltage for, sixteen times",
        length_s=16 * 1.8,
        mounting=FREE,
        setpoint=_both_ways("speed", 25.0, on_s=1.0, every_s=1.8),
    )


def _tip() -> Scene:
    each_s = 3.0
    forces = [force for _ in range(5) for force in _PUSHES_N]

    def push(time_s: float) -> float:
        number, within = divmod(time_s - 2.0, each_s)
        if not 0 <= number < len(forces) or within > each_s - 0.4:
            return 0.0
        return forces[int(number)] * ARM_LENGTH_M

    return Scene(
        name="tip",
        words="a hand pushes the tip of the arm both ways, a ruler beside it; the drive holds",
        length_s=2.0 + each_s * len(forces) + 1.0,
        mounting=ARM,
        setpoint=lambda _time_s: SetPoint("position", 0.0),
        external_Nm=push,
        readings=tuple(
            ReadOff(at_s=2.0 + each_s * number + 2.4, instrument="ruler", force_N=force)
            for number, force in enumerate(forces)
        ),
    )


def _loops() -> Iterator[Scene]:
    top = RATED_TORQUE_NM
    for number, at_rad in enumerate((0.0, 0.35, 0.8, 1.3), start=1):
        if number > 1:
            yield _move(f"to clamp {number}", at_rad)
        yield Scene(
            name=f"loop{number}",
            words=f"clamped fast, torque 0, +{top:g}, 0, -{top:g}, 0 N.m; clamp position {number}",
            length_s=_LOOP_S,
            mounting=CLAMPED,
            setpoint=_along(
                "torque",
                [2.0 + (_LOOP_S - 4.0) * part / 4.0 for part in range(5)],
                (0.0, top, 0.0, -top, 0.0),
            ),
        )
