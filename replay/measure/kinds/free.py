"""Friction from turning the output by hand both ways at a constant torque set-point. Pure.

The joint pulls all the time; turned against its pull the hand feels friction on top, let along with
it friction is missing. Half the difference is friction, the mean is what the joint pulls with. The
joint's own current tells neither: it is constant.
"""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from replay.measure.interval import DRAW_COUNT, IntervalBasis, bench_dice
from replay.measure.kinds.scale import GRAVITY, Lever, lever_of, reading_as_scale, recorded_as_scale
from replay.measure.procedure import Fact
from replay.measure.result import (
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    bare_quantity,
    drawn_quantity,
)
from replay.measure.rounding import draw_positions
from replay.measure.setup import BenchSetup

__all__ = ["measure_free"]

HAND_FRICTION: Final = QuantityKind("friction_torque", "friction, turned by hand", "N.m")
PULL: Final = QuantityKind("pull", "what the joint pulls with", "N.m")
FREE_METHOD: Final = Fact("by hand", "half the difference of pulling it forward and back")
FREE_SOURCE: Final = "common practice; readings rounded to their division"
SAME_ANGLES: Final = Fact("same angles", "Both ways went over the same angles, slowly.")
SET_POINT_KEPT: Final = Fact("set-point kept", "The torque set-point was the same both ways.")
FREE_NO_SPREAD: Final = Fact(
    "no spread", "one reading each way and no division of the scale (--division forward=0.1 N)"
)


def measure_free(setup: BenchSetup) -> Measurement:
    """Return friction from `forward` and `backward`, typed or from a channel over spans.

    Raises
    ------
    InputError
        A way is missing, or the joint's own current is taken for the scale.
    """
    channel = setup.channels.get("scale")
    if channel and "." not in channel and channel.split("_")[0] in {"current", "torque"}:
        words = channel.removesuffix("_Nm").removesuffix("_A").split("_")
        if len(words) == 1:
            raise InputError(
                f"found {channel!r}, expected an instrument at the output: at a "
                "constant set-point the joint's own torque is the same both ways.",
                where="--channel: scale",
            )
    ways = {}
    for way in ("forward", "backward"):
        typed = setup.readings_named(way)
        found = (
            [recorded_as_scale(one, channel) for one in setup.spans_in_role(way)]
            if channel
            else [reading_as_scale(one) for one in typed]
        )
        if not found:
            raise InputError(
                f"found no {way!r}, expected the scale read in both directions: "
                "'forward=14.2 N' and 'backward=9.8 N'.",
                where="--reading",
                hint="Or take them from spans of these names: --channel scale=SENSOR.CHANNEL.",
            )
        ways[way] = found
    every = [*ways["forward"], *ways["backward"]]
    if len({one.unit for one in every}) > 1:
        raise InputError(
            "found forward and backward in unlike units, expected one.", where="--reading"
        )
    lever = lever_of(setup, every)
    forward, backward = (np.array([one.raw for one in ways[way]]) for way in ways)
    division = max(one.division for one in every)
    drawn = _drawn_means([forward, backward], division)
    mean_f, mean_b = float(forward.mean()), float(backward.mean())
    if mean_f < mean_b:
        mean_f, mean_b = mean_b, mean_f
        drawn = None if drawn is None else drawn[:, ::-1]
    sides = None if drawn is None else (drawn[:, 0], drawn[:, 1])
    quantities = [
        _quantity(HAND_FRICTION, mean_f, mean_b, sides, lever, sign=-1.0),
        _quantity(PULL, mean_f, mean_b, sides, lever, sign=1.0),
    ]
    return Measurement(
        kind="free",
        joint=setup.joint.name,
        method=FREE_METHOD,
        source=FREE_SOURCE,
        quantities=tuple(quantities),
        remarks=() if quantities[0].has_interval else (FREE_NO_SPREAD,),
        assumptions=(
            SAME_ANGLES,
            SET_POINT_KEPT,
            *((GRAVITY,) if lever.has_gravity else ()),
        ),
        instruments=lever.instruments,
        picture={"forward": forward.tolist(), "backward": backward.tolist()},
    )


def _drawn_means(groups: Sequence[Floats], division: float) -> Floats | None:
    """Return draws of the mean each way, shape (n, 2); None where nothing says how sure it is."""
    dice = bench_dice("free")
    if division:
        return draw_positions(groups, division, n=DRAW_COUNT, dice=dice)
    if min(len(one) for one in groups) < 2 or not any(np.ptp(one) > 0.0 for one in groups):
        return None
    return np.stack(
        [
            one.mean()
            + dice.standard_t(len(one) - 1, DRAW_COUNT) * one.std(ddof=1) / math.sqrt(len(one))
            for one in groups
        ],
        axis=1,
    )


def _quantity(
    of: QuantityKind,
    forward: float,
    backward: float,
    drawn: tuple[Floats, Floats] | None,
    lever: Lever,
    *,
    sign: float,
) -> MeasuredQuantity:
    """Return half of forward plus `sign` times backward, as torque."""
    value = lever.factor * (forward + sign * backward) / 2.0
    if drawn is None:
        return bare_quantity(of, value)
    halves = lever.factor * (drawn[0] + sign * drawn[1]) / 2.0
    relative = math.sqrt(sum(one.contribution**2 for one in lever.parts))
    parts = (
        UncertaintyPart(source="scale readings", contribution=float(np.std(halves))),
        *(
            UncertaintyPart(
                source=one.source, contribution=one.contribution * value, shared=one.shared
            )
            for one in lever.parts
        ),
    )
    spread = halves * (1.0 + relative * bench_dice("free arm").normal(size=len(halves)))
    return drawn_quantity(of, value, spread, parts, basis=IntervalBasis.ROUNDING)
