"""Running and breakaway friction from passes both ways, by speed, direction and temperature. Pure.

Passes repeat the ripple of motor and gear, so the interval is Student's over pairs of passes and
never that of their readings. The gear is behind the housing's temperature by minutes: that lag is
an unknown of its own, averaged over.
"""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from replay.measure.interval import IntervalBasis, bench_dice
from replay.measure.kinds.passes import PassPair, pair_passes, steady_passes
from replay.measure.line import fit_line
from replay.measure.procedure import Fact
from replay.measure.result import (
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    UnknownResult,
    bare_quantity,
    drawn_quantity,
    student_quantity,
)
from replay.measure.setup import BenchSetup, SpanTrace

__all__ = ["ENOUGH_PAIRS", "lagged_coefficient", "measure_friction", "same_speed_groups"]

ENOUGH_PAIRS: Final = 5
SAME_SPEED: Final = 0.3
"""Speeds that differ by less of themselves are one."""
LAGS_S: Final = tuple(60.0 * one for one in (0, 1, 2, 4, 6, 8, 10, 13, 16, 20, 25, 30, 36, 45))

RUNNING: Final = QuantityKind("friction_torque", "running friction", "N.m")
RUNNING_CURRENT: Final = QuantityKind("friction_current", "running friction", "A")
BREAKAWAY: Final = QuantityKind("breakaway_torque", "breakaway friction", "N.m")
COULOMB: Final = QuantityKind("friction_coulomb", "friction at no speed, extrapolated", "N.m")
VISCOUS: Final = QuantityKind("friction_viscous", "friction that grows with speed", "N.m.s/rad")
DIRECTIONS: Final = QuantityKind(
    "friction_asymmetry", "gravity, offset or a heavy direction", "N.m"
)
PER_KELVIN: Final = QuantityKind("friction_per_kelvin", "friction changes with temperature", "%/K")

FRICTION_METHOD: Final = Fact("passes", "half differences of passes both ways over the same angles")
FRICTION_SOURCE: Final = "common practice; Student over pairs of passes (JCGM 100, 4.2)"
GRAVITY_SAME: Final = Fact(
    "gravity same", "Gravity and the offset of torque are the same on the way there and back."
)
TORQUE_OF_CURRENT: Final = Fact(
    "torque of current", "Torque is the current times the torque per ampere of the bench file."
)
FEW_PAIRS: Final = Fact(
    "few pairs", "Fewer than five pairs of passes: the interval is wide for want of repeats."
)
ONE_PAIR: Final = Fact(
    "one pair", "one pass each way: its scatter is that of the ripple, and does not show it"
)
ONE_SPEED: Final = Fact("one speed", "all passes have one speed")
MORE_SPEEDS: Final = Fact("more speeds", "Repeat the passes at two more speeds.")
NO_REST: Final = Fact("no rest", "no pass begins from a rest of a tenth of a second")
FROM_REST: Final = Fact("from rest", "Let the joint rest before each pass, and start it slowly.")
NO_WARMING: Final = Fact(
    "no warming", "the temperature changed by less than 5 K, or is not recorded"
)
WARM_AND_COOL: Final = Fact(
    "warm and cool",
    "Repeat the passes from cold to warm and cool again: a gear is behind its housing, and only "
    "both ways tell the lag from the coefficient.",
)


def measure_friction(setup: BenchSetup) -> Measurement:
    """Return friction from the passes that are found in the spans.

    Raises
    ------
    InputError
        Position or torque is missing, or no pass has its pass back.
    """
    channel, factor, unit = _torque_channel(setup)
    passes = [one for span in setup.spans for one in steady_passes(span, channel)]
    pairs = pair_passes(sorted(passes, key=lambda one: float(one.time_s[0])))
    if not pairs:
        raise InputError(
            f"found {len(passes)} passes at constant speed and none "
            "with its pass back over the same angles, expected both ways at one speed: without "
            "the way back gravity is taken for friction.",
            where=setup.spans[0].recording,
        )
    groups = same_speed_groups(pairs)
    main = max(groups, key=len)
    kind = RUNNING if unit == "N.m" else RUNNING_CURRENT
    quantities = [
        _running(kind, one, factor) for one in sorted(groups, key=lambda one: one is not main)
    ]
    unknown: list[UnknownResult] = []
    if unit == "N.m":
        quantities.append(_middle(main, factor))
        for made in (
            _breakaway(main, factor),
            _by_speeds(groups, factor),
            _by_temperature(setup, main),
        ):
            for one in made:
                if isinstance(one, UnknownResult):
                    unknown.append(one)
                else:
                    quantities.append(one)
    return Measurement(
        kind="friction",
        joint=setup.joint.name,
        method=FRICTION_METHOD,
        source=FRICTION_SOURCE,
        quantities=tuple(quantities),
        unknown=tuple(unknown),
        remarks=(
            *((ONE_PAIR,) if len(main) == 1 else ()),
            *((FEW_PAIRS,) if 1 < len(main) < ENOUGH_PAIRS else ()),
        ),
        assumptions=(GRAVITY_SAME, *((TORQUE_OF_CURRENT,) if channel == "current_A" else ())),
        torque_constant={
            "torque_Nm": setup.joint.torque_constant,
            "current_A": setup.joint.per_ampere,
        }.get(channel),
        instruments=(f"{channel}, {len(pairs)} pairs of passes",),
        picture={
            "speed_rad_s": [one.speed_rad_s for one in pairs],
            "friction": [factor * one.friction for one in pairs],
            "plus": [factor * one.plus for one in pairs],
            "minus": [factor * one.minus for one in pairs],
            "time_s": [one.time_s for one in pairs],
            "unit": unit,
        },
    )


def _torque_channel(setup: BenchSetup) -> tuple[str, float, str]:
    """Return the channel that stands for torque, N.m for one of it, and the unit of the answer."""
    if not setup.spans:
        raise InputError(
            "found none and no recording, expected a recording with passes both ways.",
            where="--span",
        )
    setup.require_channels(setup.spans, "position_rad")
    chosen = setup.channels.get("torque")
    if chosen:
        return chosen, 1.0, "N.m"
    for name, factor, unit in (
        ("torque_Nm", 1.0, "N.m"),
        ("current_A", setup.joint.per_ampere or 1.0, "N.m" if setup.joint.per_ampere else "A"),
    ):
        if all(len(one.channel(name)[0]) > 1 for one in setup.spans):
            return name, factor, unit
    raise InputError(
        f"found neither torque_Nm nor current_A of {setup.joint.name}, expected one of them.",
        where=setup.spans[0].recording,
    )


def same_speed_groups(pairs: Sequence[PassPair]) -> list[list[PassPair]]:
    """Return pairs in groups of one speed, the slowest first."""
    groups: list[list[PassPair]] = []
    for one in sorted(pairs, key=lambda pair: pair.speed_rad_s):
        if groups and one.speed_rad_s <= (1.0 + SAME_SPEED) * groups[-1][0].speed_rad_s:
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _over_pairs(of: QuantityKind, values: Floats, at: dict[str, float]) -> MeasuredQuantity:
    if len(values) < 2 or float(np.ptp(values)) <= 0.0:
        return bare_quantity(of, float(values.mean()))
    part = UncertaintyPart(
        source="passes",
        contribution=float(values.std(ddof=1)) / math.sqrt(len(values)),
        degrees_of_freedom=len(values) - 1,
    )
    return student_quantity(of, float(values.mean()), (part,), at=at)


def _speed_of(group: Sequence[PassPair]) -> dict[str, float]:
    return {"speed_rad_s": float(np.mean([one.speed_rad_s for one in group]))}


def _running(of: QuantityKind, group: Sequence[PassPair], factor: float) -> MeasuredQuantity:
    values = factor * np.array([one.friction for one in group])
    return _over_pairs(of, values, _speed_of(group))


def _middle(group: Sequence[PassPair], factor: float) -> MeasuredQuantity:
    values = factor * np.array([one.middle for one in group])
    return _over_pairs(DIRECTIONS, values, _speed_of(group))


def _breakaway(group: Sequence[PassPair], factor: float) -> list[MeasuredQuantity | UnknownResult]:
    values = factor * np.array([one.breakaway for one in group])
    values = values[np.isfinite(values)]
    if not len(values):
        return [UnknownResult(of=BREAKAWAY, why=NO_REST, steps=(FROM_REST,))]
    return [_over_pairs(BREAKAWAY, values, {})]


def _by_speeds(
    groups: Sequence[Sequence[PassPair]], factor: float
) -> list[MeasuredQuantity | UnknownResult]:
    """Return friction as a line over speed, through the pairs of at least three speeds."""
    if len(groups) < 3:
        return [
            UnknownResult(of=one, why=ONE_SPEED, steps=(MORE_SPEEDS,)) for one in (COULOMB, VISCOUS)
        ]
    # One point a speed: its passes repeat the ripple, and the line's own scatter is between speeds.
    speed = np.array([_speed_of(one)["speed_rad_s"] for one in groups])
    means = factor * np.array([np.mean([pair.friction for pair in one]) for one in groups])
    least = factor * float(
        np.sqrt(np.mean([np.var([pair.friction for pair in one]) / len(one) for one in groups]))
    )
    line = fit_line(speed, means, least_scatter=least)
    return [
        student_quantity(
            of,
            value,
            (UncertaintyPart(source="speeds", contribution=u, degrees_of_freedom=line.dof),),
        )
        for of, value, u in (
            (COULOMB, line.intercept, line.intercept_uncertainty),
            (VISCOUS, line.slope, line.slope_uncertainty),
        )
    ]


def _by_temperature(
    setup: BenchSetup, group: Sequence[PassPair]
) -> list[MeasuredQuantity | UnknownResult]:
    """Return how friction changes a kelvin, the gear's lag behind its housing averaged over."""
    refused: list[MeasuredQuantity | UnknownResult] = [
        UnknownResult(of=PER_KELVIN, why=NO_WARMING, steps=(WARM_AND_COOL,))
    ]
    channel = setup.channels.get("temperature", "temperature_housing_degC")
    time_s, temperature = _whole_series(setup.spans, channel)
    if len(time_s) < 10 or len(group) < 8 or float(np.ptp(temperature)) < 5.0:
        return refused
    friction = np.array([one.friction for one in group])
    at_s = np.array([one.time_s for one in group])
    drawn, value = lagged_coefficient(time_s, temperature, at_s, friction)
    quantity = drawn_quantity(
        PER_KELVIN,
        100.0 * value,
        100.0 * drawn,
        basis=IntervalBasis.DRAWS,
        at={channel: float(np.mean(temperature))},
    )
    return [quantity]


def _whole_series(spans: Sequence[SpanTrace], channel: str) -> tuple[Floats, Floats]:
    parts = [one.channel(channel) for one in spans]
    return np.concatenate([one for one, _ in parts]), np.concatenate([one for _, one in parts])


def lagged_coefficient(
    time_s: Floats, temperature: Floats, at_s: Floats, friction: Floats, *, n: int = 8000
) -> tuple[Floats, float]:
    """Return draws and mean of the relative change of friction a kelvin, at the mean temperature.

    Parameters
    ----------
    time_s, temperature
        Of the housing, in order of time.
    at_s, friction
        When each pair of passes was made, and its friction; shape (n,).
    """
    dice = bench_dice("friction lag")
    weights, fits = [], []
    mean = float(np.mean(temperature))
    for lag_s in LAGS_S:
        x = np.interp(at_s, time_s, _lagging(time_s, temperature, lag_s)) - mean
        design = np.stack([np.ones(len(x)), x], axis=1)
        precision = design.T @ design
        found = np.linalg.solve(precision, design.T @ friction)
        squares = float(((friction - design @ found) ** 2).sum())
        dof = len(x) - 2
        # Marginal likelihood of the lag: coefficients and scatter integrated out.
        weights.append(-0.5 * dof * math.log(squares) - 0.5 * np.linalg.slogdet(precision)[1])
        fits.append((found, np.linalg.inv(precision) * squares / dof, dof))
    widths = np.gradient(np.array(LAGS_S))
    share = np.exp(np.array(weights) - max(weights)) * widths
    counts = dice.multinomial(n, share / share.sum())
    drawn = []
    for count, (found, cov, dof) in zip(counts, fits, strict=True):
        if count:
            steps = dice.multivariate_normal(np.zeros(2), cov, count)
            steps *= np.sqrt(dof / dice.chisquare(dof, count))[:, None]
            made = found + steps
            drawn.append(made[:, 1] / made[:, 0])
    values = np.concatenate(drawn)
    return values, float(np.median(values))


def _lagging(time_s: Floats, temperature: Floats, lag_s: float) -> Floats:
    """Return a temperature that follows another with a time constant, from rest."""
    if lag_s <= 0.0:
        return temperature
    out = np.empty(len(time_s))
    now = float(temperature[0])
    share = 1.0 - np.exp(-np.diff(time_s, prepend=time_s[0]) / lag_s)
    for index, (part, value) in enumerate(zip(share.tolist(), temperature.tolist(), strict=True)):
        now += part * (value - now)
        out[index] = now
    return out
