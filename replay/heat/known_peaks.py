"""The peaks that recordings, their bench file and their limits know of a joint."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from logger.joint.data_sheet import find_sheet_key
from logger.limits.kinds.level import Level
from replay.heat.fit import HeatFit
from replay.heat.peak_load import PeakLoad, PeakSource
from replay.recording import Recording

__all__ = ["joint_peaks", "known_peaks"]

MOMENTARY_S: Final = 10.0
"""A trip that waits longer lets a load go on for a time, and is no end of it."""
_CHANNEL_OF: Final = {"peak_torque": "torque_Nm", "peak_current": "current_A"}
"""Quantity of a claim or a finding -> channel whose peak it is."""


def known_peaks(fit: HeatFit, recordings: Sequence[Recording]) -> tuple[PeakLoad, ...]:
    """Return the peaks that are known of a fitted joint, in the fit's unit; see `joint_peaks`."""
    largest = fit.load_factor * fit.read.largest_load
    return joint_peaks(recordings, fit.joint, factors=fit.load_factors, largest=largest)


def joint_peaks(
    recordings: Sequence[Recording], joint: str, *, factors: Mapping[str, float], largest: float
) -> tuple[PeakLoad, ...]:
    """Return the peaks that are known of a joint, the lowest first.

    Claims and limits are those of the first of `recordings`, limits those in force last; ceilings
    those that were kept in any of them.

    Parameters
    ----------
    factors
        Channel of a load -> load in the unit of the answer for one of its own; those that can be
        told.
    largest
        The largest load that was recorded, of either sign; 0 where there is none.
    """
    first = recordings[0]
    found = [
        *_claimed(first, joint, factors),
        *_tripping(first, joint, factors),
        *_kept_ceilings(recordings, joint, factors),
    ]
    if largest > 0.0:
        found.append(PeakLoad(source=PeakSource.RECORDED, load=largest))
    return tuple(sorted(found, key=lambda one: one.load))


def _claimed(recording: Recording, joint: str, factors: Mapping[str, float]) -> Iterator[PeakLoad]:
    for key, claim in recording.bench.joint_named(joint).claims.items():
        found = find_sheet_key(key)
        factor = None if found is None else _factor(factors, found[0].name)
        if found is not None and factor is not None and claim.value > 0.0:
            yield PeakLoad(source=PeakSource.CLAIM, load=factor * found[1] * claim.value)


def _tripping(recording: Recording, joint: str, factors: Mapping[str, float]) -> Iterator[PeakLoad]:
    rated = recording.bench.joint_named(joint).rated
    limits = recording.limit_sets[-1][1]
    for limit in limits.for_joint(joint, recording.channels(joint)):
        level = limit.in_channel_unit(rated)
        if not isinstance(level, Level) or level.severity != "trip":
            continue
        factor = factors.get(level.channel)
        # Of one direction alone it leaves the other open.
        is_end = level.rising and level.magnitude and level.delay_s <= MOMENTARY_S
        if factor is not None and is_end:
            yield PeakLoad(source=PeakSource.LIMIT, load=factor * level.pick_up, limit=level.name)


def _kept_ceilings(
    recordings: Sequence[Recording], joint: str, factors: Mapping[str, float]
) -> Iterator[PeakLoad]:
    """Yield the newest ceiling of each quantity."""
    newest = {
        quantity.name: quantity.value
        for recording in sorted(recordings, key=lambda one: one.start_ns)
        for finding in recording.read_findings().current
        if finding.joint == joint
        for quantity in finding.quantities
    }
    for name in _CHANNEL_OF.keys() & newest.keys():
        factor, value = _factor(factors, name), newest[name]
        if factor is not None and math.isfinite(value) and value > 0.0:
            yield PeakLoad(source=PeakSource.MEASURED, load=factor * value)


def _factor(factors: Mapping[str, float], quantity: str) -> float | None:
    """Return the load for one of a quantity; None where it is no peak, or cannot be told."""
    return factors.get(_CHANNEL_OF.get(quantity, ""))
