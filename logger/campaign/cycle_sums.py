"""What a stretch of a cycle adds to its figures, weighted by time; sums add up. Pure.

A value holds until its channel's next value, at most for its hold. Where two channels make a figure
together (torque and speed: work), it counts while both hold.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.arrays import Floats, to_s
from logger.campaign.friction import ConstantSpeed, constant_speed_friction
from logger.campaign.recording_breaks import RecordingBreaks
from logger.joint.batch import ReadingBatch
from logger.joint.thermal.thermal_model import Winding
from logger.joint.time_weighted import Buckets, span_bucket

__all__ = ["LOAD_CHANNELS", "SPEED_CHANNEL", "CycleSums", "Integral", "add_sums", "stretch_sums"]

LOAD_CHANNELS: Final = ("torque_Nm", "current_A")
SPEED_CHANNEL: Final = "speed_rad_s"
POSITION_CHANNEL: Final = "position_rad"
_FOLLOWED: Final = ("position_rad", "speed_rad_s")
_STANDSTILL: Final = 0.02
"""Share of the highest speed of a stretch, below which a joint has no direction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Integral:
    """A figure over the time in which it is known."""

    held_s: float = 0.0
    total: float = 0.0
    """Integral over that time."""
    peak: float = 0.0
    """Largest magnitude."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleSums:
    """The sums of one or more stretches in a row."""

    buckets: Mapping[str, tuple[Buckets, ...]] = field(default_factory=dict)
    """Channel -> its figures, stretch by stretch."""
    integrals: Mapping[str, Integral] = field(default_factory=dict)
    held_ns: Mapping[str, int] = field(default_factory=dict)
    """Channel -> for how long its value is known, breaks of the recording left out."""


def add_sums(first: CycleSums, then: CycleSums) -> CycleSums:
    """Return the sums of two stretches of which one follows the other."""
    none = Integral()
    integrals = {}
    for name in (*first.integrals, *(one for one in then.integrals if one not in first.integrals)):
        one, other = first.integrals.get(name, none), then.integrals.get(name, none)
        integrals[name] = Integral(
            held_s=one.held_s + other.held_s,
            total=one.total + other.total,
            peak=max(one.peak, other.peak),
        )
    names = (*first.buckets, *(one for one in then.buckets if one not in first.buckets))
    return CycleSums(
        buckets={
            name: (*first.buckets.get(name, ()), *then.buckets.get(name, ())) for name in names
        },
        integrals=integrals,
        held_ns={
            name: first.held_ns.get(name, 0) + then.held_ns.get(name, 0)
            for name in {**first.held_ns, **then.held_ns}
        },
    )


def stretch_sums(
    rows: ReadingBatch,
    *,
    start_ns: int,
    end_ns: int,
    hold_ns: Mapping[str, int],
    winding: Winding | None,
    breaks: RecordingBreaks,
) -> CycleSums:
    """Return the sums of [start_ns, end_ns).

    Parameters
    ----------
    rows
        The readings of the stretch and, before it, those whose values may hold into it.
    hold_ns
        Channel -> how long a value holds; channels that are not in it have no figures.
    winding
        For the copper loss; None: not known.
    breaks
        Of the recording: what is known ends there. Figures are made as over a late reading.
    """
    held_ns: dict[str, int] = {}
    buckets: dict[str, tuple[Buckets, ...]] = {}
    held: dict[str, tuple[Floats, Floats]] = {}
    begin = np.maximum(rows.time_ns, start_ns)
    following = np.append(begin[1:], np.int64(end_ns))
    for channel, hold in hold_ns.items():
        values = rows.columns.get(channel)
        if values is None:
            continue
        has_own = np.isfinite(values)
        if not has_own.any():
            continue
        found = span_bucket(
            rows.time_ns[has_own],
            values[has_own],
            hold_ns=hold,
            start_ns=start_ns,
            end_ns=end_ns,
        )
        if len(found):
            buckets[channel] = (found,)
            newest = np.maximum.accumulate(np.where(has_own, np.arange(len(values)), -1))
            until = np.minimum(rows.time_ns[newest] + hold, following)
            held_s = np.where(newest >= 0, to_s(np.maximum(until - begin, 0)), 0.0)
            known_until = np.minimum(until, breaks.held_until(rows.time_ns[newest]))
            known_ns = np.where(newest >= 0, np.maximum(known_until - begin, 0), 0)
            held_ns[channel] = int(known_ns.sum())
            # What is held from each row to the next, and for how many seconds of that.
            held[channel] = (np.where(held_s > 0.0, values[newest], 0.0), held_s)
    return CycleSums(buckets=buckets, integrals=_integrals(held, winding), held_ns=held_ns)


def _integrals(
    held: Mapping[str, tuple[Floats, Floats]], winding: Winding | None
) -> dict[str, Integral]:
    out: dict[str, Integral] = {}
    for channel in _FOLLOWED:
        setpoint = channel.replace("_rad", "_setpoint_rad", 1)
        if channel in held and setpoint in held:
            (value, one_s), (wanted, other_s) = held[channel], held[setpoint]
            both_s = np.minimum(one_s, other_s)
            error = np.where(both_s > 0.0, wanted - value, 0.0)
            out[f"{channel} error"] = _squared(error, both_s)
    if "current_A" in held and winding is not None:
        current, current_s = held["current_A"]
        warm, warm_s = held.get(
            "temperature_winding_degC",
            (np.full(len(current), winding.reference_degC), current_s),
        )
        both_s = np.minimum(current_s, warm_s)
        out["copper"] = _integral(winding.loss_W(current, warm), both_s)
    if SPEED_CHANNEL not in held:
        return out
    speed, speed_s = held[SPEED_CHANNEL]
    least = _STANDSTILL * float(np.abs(speed).max(initial=0.0))
    for channel in LOAD_CHANNELS:
        if channel not in held:
            continue
        load, load_s = held[channel]
        both_s = np.minimum(load_s, speed_s)
        for way, is_on in (("forward", speed > least), ("backward", speed < -least)):
            out[f"{channel} {way}"] = _squared(load, np.where(is_on, both_s, 0.0))
        if channel == "torque_Nm":
            power = load * speed
            out["driving"] = _integral(np.maximum(power, 0.0), both_s)
            out["braking"] = _integral(np.maximum(-power, 0.0), both_s)
        if POSITION_CHANNEL in held:
            position, position_s = held[POSITION_CHANNEL]
            found = constant_speed_friction(
                ConstantSpeed(
                    held_s=np.minimum(both_s, position_s), speed=speed, position=position, load=load
                )
            )
            if found is not None:
                out[f"{channel} friction"] = Integral(held_s=found[0], total=found[1])
    return out


def _squared(values: Floats, held_s: Floats) -> Integral:
    return _integral(values * values, held_s, peak=np.abs(values))


def _integral(values: Floats, held_s: Floats, *, peak: Floats | None = None) -> Integral:
    magnitude = values if peak is None else peak
    return Integral(
        held_s=float(held_s.sum()),
        total=float((values * held_s).sum()),
        peak=float(magnitude[held_s > 0.0].max(initial=0.0)),
    )
