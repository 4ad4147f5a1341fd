"""What swings: frequency, amplitude and damping of a stretch, and whether it grows. Pure.

After a push a decaying sine is fitted; around a set-point, where noise keeps it going, a decay
would always be read as no damping, so its spectrum is. What neither describes is told as that.
"""

import math
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from logger.findings.uncertainty import NORMAL_95
from replay.measure.interval import IntervalBasis
from replay.measure.kinds.swing import (
    DecayFit,
    dies_away,
    dry_decay_gain,
    fit_decay,
    fit_noise_driven,
    line_residual,
)
from replay.measure.kinds.swing_quantities import (
    DAMPING,
    FREQUENCY,
    GROWTH,
    HIGHEST,
    decay_amplitude,
    decay_frequency,
    frequency_of_halves,
    quantity_of_log,
)
from replay.measure.procedure import Fact
from replay.measure.result import (
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    UnknownResult,
    bare_quantity,
    student_quantity,
)
from replay.measure.setup import BenchSetup, SpanTrace

__all__ = ["measure_oscillation"]

UNKNOWN_FACTOR: Final = 4.0
"""An interval of damping whose ends differ by more is no knowledge."""
DRY_GAIN: Final = 12.0
CLEAN: Final = 1e-4
"""Residuals of so little of the amplitude are those of the numbers, whatever their colour."""
COLOURED: Final = 3.5
"""Residual power, against white noise, from which on no decay describes it."""

INERTIA: Final = QuantityKind("inertia", "inertia of the arm", "kg.m2")

DECAY: Final = Fact("decay", "a decaying sine through every reading, by least squares")
SPECTRUM: Final = Fact("spectrum", "the spectrum of a resonance that noise drives, by likelihood")
OSCILLATION_SOURCE: Final = "least squares against its Cramér-Rao bound; Whittle's likelihood"
ONE_RESONANCE: Final = Fact(
    "one resonance", "One resonance swings, and what else there is is white."
)
NOT_FOLDED: Final = Fact(
    "not folded", "Nothing swings above the highest frequency that this reporting rate can tell."
)
NEAR_FOLD: Final = Fact(
    "near fold",
    "The frequency is near the highest that this rate can tell: a faster one would look like it. "
    "Record at a higher rate to be sure.",
)
UNEVEN: Final = Fact(
    "uneven stamps", "Times of readings are uneven by more than a tenth of a cycle's twentieth."
)
DRY: Final = Fact(
    "dry friction", "swings lose the same each time: dry friction, for which there is no ratio"
)
NO_LAW: Final = Fact(
    "no one decay",
    "it dies away, but not by one ratio: friction stops it, or the loop does not answer alike",
)
SUSTAINED: Final = Fact("sustained", "it neither grows nor fades over the span")
TOO_WIDE: Final = Fact("too wide", "its interval spans more than a factor of four")
LONGER: Final = Fact("longer", "Record longer, or after a larger push; 60 s where noise drives it.")
PUSH: Final = Fact("push", "Push the arm by hand, or step the set-point, and let it ring.")


def measure_oscillation(setup: BenchSetup) -> Measurement:
    """Return what swings in each span, the first span's answer first.

    Raises
    ------
    InputError
        There is no span, or no channel that could swing.
    """
    if not setup.spans:
        raise InputError(
            "found none and no recording, expected a recording that swings.", where="--span"
        )
    channel = _signal(setup)
    results = [_of_span(setup, one, channel) for one in setup.spans]
    first = results[0]
    inertia = _inertia(setup, results)
    return Measurement(
        kind="oscillation",
        joint=setup.joint.name,
        method=first.method,
        source=OSCILLATION_SOURCE,
        answer=first.answer,
        quantities=(
            *first.quantities,
            *inertia,
            *(one for other in results[1:] for one in other.quantities if one.of is not HIGHEST),
        ),
        unknown=first.unknown,
        remarks=first.remarks,
        assumptions=(ONE_RESONANCE, NOT_FOLDED),
        instruments=(channel,),
        picture=first.picture,
    )


def _signal(setup: BenchSetup) -> str:
    chosen = setup.channels.get("signal")
    names = (chosen,) if chosen else ("position_rad", "speed_rad_s", "torque_Nm", "current_A")
    for name in names:
        if all(len(one.channel(name)[0]) >= 24 for one in setup.spans):
            return name
    raise InputError(
        f"found fewer than 24 readings of {' or '.join(names)} in a "
        "span, expected a channel that swings.",
        hint="Name it: --channel signal=CHANNEL.",
        where=setup.spans[0].recording,
    )


def _of_span(setup: BenchSetup, span: SpanTrace, channel: str) -> Measurement:
    time_s, values = span.channel(channel)
    steps = np.diff(time_s)
    step = float(np.median(steps))
    highest = 0.5 / step
    grid = span.grids.get(channel, 0.0)
    left = line_residual(time_s, values)
    # What stands still or drifts straight leaves nothing but the rounding of its numbers.
    is_straight = float(np.ptp(left)) <= max(1e-9 * float(np.abs(values).max()), 1.5 * grid)
    fit = None if is_straight else fit_decay(time_s, values, least_scatter=grid / math.sqrt(12.0))
    top = bare_quantity(HIGHEST, highest)
    amplitude = QuantityKind("amplitude", f"amplitude of {channel}", _unit_of(channel))
    picture = _picture(time_s, left, channel)
    common = {"kind": "oscillation", "joint": setup.joint.name, "source": OSCILLATION_SOURCE}
    if fit is None or not _is_there(left, fit):
        bound = 4.0 * float(np.std(left)) / math.sqrt(len(left) / 2.0)
        return Measurement(
            **common,  # type: ignore[arg-type]
            method=DECAY,
            answer=f"nothing swings by more than {bound:.2g} {amplitude.unit}",
            quantities=(top,),
            picture=picture,
        )
    at = {"start_s": round(float(time_s[0]), 3)} if len(setup.spans) > 1 else {}
    remarks = _remarks(fit.omega / 2.0 / math.pi, highest, steps)
    is_coloured = _residual_peak(fit) > COLOURED
    gain, dry_left = dry_decay_gain(time_s, values, fit) if is_coloured else (0.0, left)
    # A burst that noise made may look like it, but leaves the rest of its swinging.
    if gain > DRY_GAIN and _peak_of(dry_left) < COLOURED:
        return Measurement(
            **common,  # type: ignore[arg-type]
            method=DECAY,
            quantities=(decay_frequency(fit, at), decay_amplitude(amplitude, fit, at), top),
            unknown=(UnknownResult(of=DAMPING, why=DRY),),
            remarks=remarks,
            picture=picture,
        )
    if is_coloured and dies_away(left):
        return Measurement(
            **common,  # type: ignore[arg-type]
            method=DECAY,
            answer="it dies away",
            quantities=(*frequency_of_halves(time_s, left, at), top),
            unknown=(UnknownResult(of=DAMPING, why=NO_LAW, steps=(PUSH,)),),
            remarks=remarks,
            picture=picture,
        )
    if is_coloured:
        noise = fit_noise_driven(time_s, values, _strongest(left, step))
        if noise is not None:
            return Measurement(
                **common,  # type: ignore[arg-type]
                method=SPECTRUM,
                answer="noise keeps it swinging",
                quantities=(
                    quantity_of_log(
                        FREQUENCY, noise.omega / 2.0 / math.pi, noise.log_omega_uncertainty, at
                    ),
                    *_known_damping(noise.damping, noise.log_damping_uncertainty, at),
                    quantity_of_log(
                        amplitude, noise.amplitude, noise.log_amplitude_uncertainty, at
                    ),
                    top,
                ),
                unknown=_unknown_damping(noise.log_damping_uncertainty),
                remarks=remarks,
                picture=picture,
            )
    ratio, u_ratio = fit.damping
    quantities: list[MeasuredQuantity] = [decay_frequency(fit, at)]
    unknown: tuple[UnknownResult, ...] = ()
    answer = ""
    if ratio - 3.0 * u_ratio > 0.0 and ratio / u_ratio > 3.3:
        quantities.append(
            student_quantity(
                DAMPING,
                ratio,
                (
                    UncertaintyPart(
                        source="readings", contribution=u_ratio, degrees_of_freedom=fit.dof
                    ),
                ),
                at=at,
                basis=IntervalBasis.CURVATURE,
            )
        )
    elif fit.decay + 3.0 * fit.decay_uncertainty < 0.0:
        answer = "it grows"
        quantities.append(
            student_quantity(
                GROWTH,
                -fit.decay,
                (
                    UncertaintyPart(
                        source="readings",
                        contribution=fit.decay_uncertainty,
                        degrees_of_freedom=fit.dof,
                    ),
                ),
                at=at,
                basis=IntervalBasis.CURVATURE,
            )
        )
    else:
        answer = "it is sustained over this span" if _is_sustained(fit, time_s) else ""
        why = SUSTAINED if answer else TOO_WIDE
        unknown = (UnknownResult(of=DAMPING, why=why, steps=(PUSH, LONGER)),)
    return Measurement(
        **common,  # type: ignore[arg-type]
        method=DECAY,
        answer=answer,
        quantities=(*quantities, decay_amplitude(amplitude, fit, at), top),
        unknown=unknown,
        remarks=remarks,
        picture=picture,
    )


def _unit_of(channel: str) -> str:
    tail = channel.rpartition("_")[2]
    if channel.endswith("rad_s"):
        return "rad/s"
    return {"Nm": "N.m", "degC": "Cel"}.get(tail, tail)


def _is_there(left: Floats, fit: DecayFit) -> bool:
    """Return whether the sine is more than the best that noise makes of n readings."""
    n = len(left)
    gain = n * math.log(float((left**2).sum()) / max(float((fit.residuals**2).sum()), 1e-300))
    return gain > 6.0 * math.log(n) + 10.0


def _residual_peak(fit: DecayFit) -> float:
    """Return the largest power that is left beside a fit, against what white noise would have."""
    is_clean = float(np.std(fit.residuals)) < CLEAN * fit.amplitude
    return 0.0 if is_clean else _peak_of(fit.residuals)


def _peak_of(residuals: Floats) -> float:
    power = np.abs(np.fft.rfft(residuals - residuals.mean()))[1:] ** 2
    white = float(np.median(power)) / math.log(2.0)
    # The largest of n powers of white noise is about the logarithm of n times their mean.
    largest = float(np.sort(power)[-3:].mean())
    return largest / max(white, 1e-300) / math.log(max(len(power), 3))


def _strongest(left: Floats, step: float) -> float:
    """Return where the spectrum is largest, in rad/s: a decay may have taken a burst beside it."""
    power = np.abs(np.fft.rfft(left))
    power[:2] = 0.0
    return 2.0 * math.pi * float(np.fft.rfftfreq(len(left), step)[int(np.argmax(power))])


def _is_sustained(fit: DecayFit, time_s: Floats) -> bool:
    """Return whether it lost or gained less than a fifth over ten cycles or more."""
    length = float(time_s[-1] - time_s[0])
    lost = (abs(fit.decay) + 2.0 * fit.decay_uncertainty) * length
    return fit.omega * length / 2.0 / math.pi > 10.0 and lost < 0.2


def _remarks(frequency: float, highest: float, steps: Floats) -> tuple[Fact, ...]:
    is_uneven = float(np.std(steps)) * frequency > 0.02
    return (
        *((NEAR_FOLD,) if frequency > 0.8 * highest else ()),
        *((UNEVEN,) if is_uneven else ()),
    )


def _known_damping(
    ratio: float, spread: float, at: dict[str, float]
) -> tuple[MeasuredQuantity, ...]:
    if math.exp(2.0 * NORMAL_95 * spread) > UNKNOWN_FACTOR:
        return ()
    return (quantity_of_log(DAMPING, ratio, spread, at),)


def _unknown_damping(spread: float) -> tuple[UnknownResult, ...]:
    if math.exp(2.0 * NORMAL_95 * spread) <= UNKNOWN_FACTOR:
        return ()
    return (UnknownResult(of=DAMPING, why=TOO_WIDE, steps=(PUSH, LONGER)),)


def _inertia(setup: BenchSetup, results: list[Measurement]) -> tuple[MeasuredQuantity, ...]:
    """Return the arm's inertia from a second one that adds a known inertia in its span."""
    added = setup.single_reading("added")
    if added is None:
        return ()
    names = [one.name for one in setup.spans]
    if len(results) != 2 or added.at_span not in names:
        raise InputError(
            "found no span behind 'at' that has the second arm, expected two "
            "spans, such as 'added=0.05 kg.m2 at swing2'.",
            where="--reading: added",
        )
    second = names.index(added.at_span)
    own, other = (one.quantity_named("frequency") for one in (results[1 - second], results[second]))
    if own is None or other is None or other.value >= own.value:
        raise InputError(
            "found no lower frequency with the added inertia, expected one: do "
            "both spans swing, and is the second arm in the one that is named?",
            where="--reading: added",
        )
    ratio = (own.value / other.value) ** 2
    value = added.value / (ratio - 1.0)
    slope = 2.0 * ratio / (ratio - 1.0)
    parts = tuple(
        UncertaintyPart(
            source=f"frequency {name}",
            contribution=value * slope * (one.standard_uncertainty or 0) / one.value,
        )
        for name, one in (("alone", own), ("with added", other))
    )
    stated = UncertaintyPart(
        source="added inertia",
        contribution=value * added.stated_uncertainty / added.value,
        shared=True,
    )
    return (student_quantity(INERTIA, value, (*parts, stated)),)


def _picture(time_s: Floats, left: Floats, channel: str) -> dict[str, object]:
    n = len(left)
    step = float(time_s[-1] - time_s[0]) / (n - 1)
    spectrum = np.abs(np.fft.rfft(left)) * 2.0 / n
    return {
        "channel": channel,
        "frequency_Hz": np.round(np.fft.rfftfreq(n, step), 4)[:2000].tolist(),
        "amplitude": spectrum[:2000].tolist(),
    }
