"""Play, stiffness and lost motion from loops of torque, the output held fast. Pure.

One loop is one clamp position: the ripple of motor and gear moves with the position and repeats at
the same one, so the interval is Student's over positions, never the fit's own, and made wider for
phases of a wave that are few. Beside the play of the whole loop stands what is usually told as lost
motion: the distance of the loop's middle at 3 % of rated torque either way, which loses the play
where friction exceeds that.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from replay.measure.kinds.loop_angle import LoopEncoders, loop_encoders
from replay.measure.kinds.loop_model import LoopFit, LoopPath, fit_loops, thin_loop
from replay.measure.kinds.loop_shape import check_closed, middle_distance, ramp_rate, zero_width
from replay.measure.kinds.tip_backlash import BACKLASH, EITHER_SIDE
from replay.measure.line import fit_line
from replay.measure.procedure import Fact
from replay.measure.reading import ARCMIN, ARCMIN_RAD
from replay.measure.result import (
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    UnknownResult,
    bare_quantity,
    student_quantity,
)
from replay.measure.setup import BenchSetup, SpanTrace

__all__ = ["LEVEL_SHARE", "measure_loop_backlash", "over_positions"]

LEVEL_SHARE: Final = 0.03
"""Of rated torque: where lost motion is told."""
WAVE_SHARE: Final = 0.75
"""Ripple is a wave, and its phases at n positions are no normal draws: they like the wave's ends,
where four of them may lie close together beside the truth. Student's 95 % holds 0.91 of such fours;
a scatter times 1 + this / (n - 1) holds 0.94 (0.92 to 0.96 for n from 3 to 12, of normal draws 0.96
to 0.97)."""
RATES_APART: Final = 1.4
"""Ramp rates that differ by less are one."""

LOST_MOTION: Final = QuantityKind("lost_motion", "lost motion at ±3 % of rated torque", ARCMIN)
WIDTH_AT_ZERO: Final = QuantityKind("width_at_zero", "width of the loop at no torque", ARCMIN)
LOOP_FRICTION: Final = QuantityKind("friction_torque", "friction of the gear", "N.m")
FIRST: Final = QuantityKind("stiffness_first", "stiffness around no torque", "N.m/'")
SECOND: Final = QuantityKind("stiffness", "stiffness at high torque", "N.m/'")

LOOP_METHOD: Final = Fact("loop", "the whole loop of motor angle over torque, the output held fast")
LOOP_SOURCE: Final = (
    "loop method: Measurement and Control 2023, doi 10.1177/00202940231217338; ±3 % of rated "
    "torque is industry practice"
)
OWN_POSITIONS: Final = Fact(
    "own positions", "Each loop was made at its own position of the output, and shares no ripple."
)
FIXTURE_RIGID: Final = Fact(
    "fixture rigid",
    "The fixture gives nothing: what it gives is in the stiffness "
    "(--reading fixture=60 N.m/arcmin).",
)
MOTOR_SIDE: Final = Fact("motor side", "Position is measured at the motor, before the gear.")
TORQUE_BY_CURRENT: Final = Fact(
    "torque by current", "Torque is the current times the torque per ampere of the bench file."
)
RATED_AS_MOST: Final = Fact(
    "rated as most", "No rated torque is known: the largest of these loops stands for it."
)
ONE_LOOP: Final = Fact(
    "one loop",
    "one loop is one position of the ripple, which its own scatter does not show; repeat it at "
    "three more positions of the output",
)
DEFINITION_BLIND: Final = Fact(
    "definition blind",
    "Friction is about as large as 3 % of rated torque or larger: lost motion at ±3 % then misses "
    "the play, however clean it looks. The play of the whole loop holds.",
)
ONE_RATE: Final = Fact(
    "one ramp rate",
    "all loops have one ramp rate: what the current is late by looks like less friction",
)
HALF_RATE: Final = Fact("half the rate", "Repeat a loop at half of the ramp rate.")


def measure_loop_backlash(setup: BenchSetup) -> Measurement:
    """Return play, lost motion, stiffness and friction from the spans `loop...`.

    Raises
    ------
    InputError
        A loop was never closed, lacks position or torque, or the encoder is behind the gear.
    """
    spans = setup.spans_in_role("loop")
    if not spans:
        raise InputError(
            "found no loop, expected a span around torque 0, +T, 0, -T, 0.",
            where="--span",
            hint="Name it: --span loop1=FROM..TO.",
        )
    encoders = loop_encoders(setup, spans)
    paths = [_path_of(setup, encoders, one) for one in spans]
    rated, rated_text = _rated_torque(setup, paths)
    fits = [_with_fixture(one, setup) for one in fit_loops(paths)]
    count = max(encoders.count_arcmin(one) for one in spans)
    level = LEVEL_SHARE * rated
    lost = [middle_distance(one, level) for one in paths]
    widths = [zero_width(one, LEVEL_SHARE * rated / 3.0) for one in paths]
    quantities = [
        over_positions(BACKLASH, [one.play for one in fits], count),
        over_positions(EITHER_SIDE, [one.play / 2.0 for one in fits], count / 2.0),
        over_positions(LOST_MOTION, lost, count),
        over_positions(WIDTH_AT_ZERO, widths, count),
        over_positions(FIRST, [one.first for one in fits], 0.0),
        over_positions(SECOND, [one.second for one in fits], 0.0),
    ]
    friction, unknown = _friction(fits, [ramp_rate(one) for one in paths])
    is_blind = float(np.mean([one.friction for one in fits])) > 0.8 * level
    remarks = (*((ONE_LOOP,) if len(fits) == 1 else ()), *((DEFINITION_BLIND,) if is_blind else ()))
    has_torque = all(len(one.channel("torque_Nm")[0]) for one in spans)
    derived = not has_torque or setup.joint.is_torque_derived
    fixture = setup.single_reading("fixture")
    low, high = quantities[0].interval
    return Measurement(
        kind="backlash",
        joint=setup.joint.name,
        method=LOOP_METHOD,
        source=LOOP_SOURCE,
        quantities=(*quantities, *friction),
        unknown=unknown,
        remarks=remarks,
        assumptions=(
            MOTOR_SIDE,
            *((OWN_POSITIONS,) if len(fits) > 1 else ()),
            *(() if fixture or encoders.output else (FIXTURE_RIGID,)),
            *((TORQUE_BY_CURRENT,) if derived else ()),
            *((RATED_AS_MOST,) if not rated_text else ()),
        ),
        torque_constant=setup.joint.torque_constant if has_torque else setup.joint.per_ampere,
        instruments=(
            _encoder_words(encoders, count),
            *((f"rated torque {rated_text}",) if rated_text else ()),
            *((f"fixture {fixture.text}",) if fixture else ()),
        ),
        picture={
            "loops": [_picture_of(path, fit) for path, fit in zip(paths, fits, strict=True)],
            "level_Nm": level,
        },
        extra={
            "total_arcmin": quantities[0].value,
            "either_side_arcmin": quantities[1].value,
            "uncertainty_arcmin": (high - low) / 2.0 if quantities[0].has_interval else None,
        },
    )


def _encoder_words(encoders: LoopEncoders, count: float) -> str:
    words = "encoder of the motor"
    if encoders.output:
        words += f", less {encoders.output} behind the gear"
    return f"{words}, one count {count:.3g} arcmin at the output" if count else words


def _path_of(setup: BenchSetup, encoders: LoopEncoders, span: SpanTrace) -> LoopPath:
    """Return a span as a loop, refused where it is none."""
    where = f"{span.recording}: span {span.name!r}"
    if span.segments > 1:
        raise InputError(
            f"found {span.segments} stretches of position, each with its own zero, "
            "expected one: the encoder lost its turns, or the joint restarted within the loop.",
            where=where,
        )
    time_s = span.channel(encoders.motor)[0]
    per_ampere = setup.joint.per_ampere
    if len(span.channel("torque_Nm")[0]) >= 2:
        torque = span.values_at("torque_Nm", time_s)
    elif len(span.channel("current_A")[0]) >= 2:
        if per_ampere is None:
            raise InputError(
                "found current and no torque, expected torque per ampere in the bench "
                "file: torque = { per_ampere = 1.9 }; `dutytrace measure torque` finds it.",
                where=where,
            )
        torque = span.values_at("current_A", time_s) * per_ampere
    else:
        raise InputError("found neither torque nor current, expected one of them.", where=where)
    check_closed(torque, where)
    angle = encoders.angle_arcmin(span)
    return LoopPath(
        time_s=time_s,
        torque_Nm=torque,
        angle=angle - float(angle.mean()),
        count=encoders.count_arcmin(span),
    )


def _rated_torque(setup: BenchSetup, paths: Sequence[LoopPath]) -> tuple[float, str]:
    typed = setup.single_reading("rated")
    if typed is not None:
        return typed.value, typed.text
    if setup.joint.rated_torque is not None:
        return setup.joint.rated_torque, f"{setup.joint.rated_torque:g} N.m (bench file)"
    return max(float(np.abs(one.torque_Nm).max()) for one in paths), ""


def _with_fixture(fit: LoopFit, setup: BenchSetup) -> LoopFit:
    """Return a fit without what the fixture gives, which is told as a stiffness in row with it."""
    fixture = setup.single_reading("fixture")
    if fixture is None:
        return fit
    stiffness = fixture.value * ARCMIN_RAD
    if stiffness <= fit.second:
        raise InputError(
            f"found {fixture.text}, which is no stiffer than gear and fixture "
            f"together ({fit.second:.3g} N.m/arcmin), expected more.",
            where="--reading: fixture",
        )
    return replace(
        fit,
        first=1.0 / (1.0 / fit.first - 1.0 / stiffness),
        second=1.0 / (1.0 / fit.second - 1.0 / stiffness),
    )


def over_positions(of: QuantityKind, values: Sequence[float], count: float) -> MeasuredQuantity:
    """Return the mean over clamp positions, Student's over them, the encoder's count added.

    `values` and `count` in the unit of the kind; one value has no interval.
    """
    mean, n = float(np.mean(values)), len(values)
    if n == 1:
        return bare_quantity(of, mean)
    wave = 1.0 + WAVE_SHARE / (n - 1)
    return student_quantity(
        of,
        mean,
        (
            UncertaintyPart(
                source="clamp positions",
                contribution=wave * float(np.std(values, ddof=1)) / math.sqrt(n),
                degrees_of_freedom=n - 1,
            ),
            UncertaintyPart(source="encoder count", contribution=count / math.sqrt(12.0)),
        ),
    )


def _friction(
    fits: Sequence[LoopFit], rates: Sequence[float]
) -> tuple[list[MeasuredQuantity], tuple[UnknownResult, ...]]:
    """Return the friction at no ramp rate: what the current is late by shifts it with the rate."""
    values, ramp = np.array([one.friction for one in fits]), np.array(rates)
    if ramp.max() < RATES_APART * ramp.min():
        return [], (UnknownResult(of=LOOP_FRICTION, why=ONE_RATE, steps=(HALF_RATE,)),)
    if len(values) < 3:
        far = np.polyfit(ramp, values, 1)
        return [bare_quantity(LOOP_FRICTION, float(far[1]))], ()
    line = fit_line(ramp, values)
    part = UncertaintyPart(
        source="loops", contribution=line.intercept_uncertainty, degrees_of_freedom=line.dof
    )
    return [student_quantity(LOOP_FRICTION, line.intercept, (part,))], ()


def _picture_of(path: LoopPath, fit: LoopFit) -> dict[str, Any]:
    thin = thin_loop(path, 400)
    rounded: Floats = np.round(thin.angle, 4)
    return {
        "torque_Nm": np.round(thin.torque_Nm, 4).tolist(),
        "angle_arcmin": rounded.tolist(),
        "play_arcmin": fit.play,
        "friction_Nm": fit.friction,
        "knee_Nm": fit.knee,
    }
