"""The peaks that recordings, their bench file and their limits know of a joint."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from logger.joint.data_sheet import find_sheet_key
from logger.limits.kinds.level import Level
from replay.heat.fit import HeatFit
from replay.heat.peak_load import PeakLoad, PeakSource
from replay.recording import Recording

__all__ = ["known_peaks"]

MOMENTARY_S: Final = 10.0
"""A trip that waits longer lets a load go on for a time, and is no end of it."""
_CHANNEL_OF: Final = {"peak_torque": "torque_Nm", "peak_current": "current_A"}
"""Quantity of a claim or a finding -> channel whose peak it is."""


def known_peaks(fit: HeatFit, recordings: Sequence[Recording]) -> tuple[PeakLoad, ...]:
    """Return the peaks that are known of a joint, the lowest first.

    Claims and limits are those of the first of `recordings`, limits those in force last; ceilings
    those that were kept in any of them.
    """
    first = recordings[0]
    found = [*_claimed(fit, first), *_tripping(fit, first), *_kept_ceilings(fit, recordings)]
    if fit.read.largest_load > 0.0:
        largest = fit.load_factor * fit.read.largest_load
        found.append(PeakLoad(source=PeakSource.RECORDED, load=largest))
    return tuple(sorted(found, key=lambda one: one.load))


def _claimed(fit: HeatFit, recording: Recording) -> Iterator[PeakLoad]:
    for key, claim in recording.bench.joint_named(fit.joint).claims.items():
        found = find_sheet_key(key)
        factor = None if found is None else _factor(fit, found[0].name)
        if found is not None and factor is not None and claim.value > 0.0:
            yield PeakLoad(source=PeakSource.CLAIM, load=factor * found[1] * claim.value)


def _tripping(fit: HeatFit, recording: Recording) -> Iterator[PeakLoad]:
    rated = recording.bench.joint_named(fit.joint).rated
    limits = recording.limit_sets[-1][1]
    for limit in limits.for_joint(fit.joint, recording.channels(fit.joint)):
        level = limit.in_channel_unit(rated)
        if not isinstance(level, Level) or level.severity != "trip":
            continue
        factor = fit.load_factors.get(level.channel)
        # Of one direction alone it leaves the other open.
        is_end = level.rising and level.magnitude and level.delay_s <= MOMENTARY_S
        if factor is not None and is_end:
            yield PeakLoad(source=PeakSource.LIMIT, load=factor * level.pick_up, limit=level.name)


def _kept_ceilings(fit: HeatFit, recordings: Sequence[Recording]) -> Iterator[PeakLoad]:
    """Yield the newest ceiling of each quantity."""
    newest = {
        quantity.name: quantity.value
        for recording in sorted(recordings, key=lambda one: one.start_ns)
        for finding in recording.read_findings().current
        if finding.joint == fit.joint
        for quantity in finding.quantities
    }
    for name in _CHANNEL_OF.keys() & newest.keys():
        factor, value = _factor(fit, name), newest[name]
        if factor is not None and math.isfinite(value) and value > 0.0:
            yield PeakLoad(source=PeakSource.MEASURED, load=factor * value)


def _factor(fit: HeatFit, quantity: str) -> float | None:
    """Return the load for one of a quantity; None where it is no peak, or cannot be told."""
    return fit.load_factors.get(_CHANNEL_OF.get(quantity, ""))
