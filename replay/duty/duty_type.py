"""Which duty type of IEC 60034-1 a load is: S1, S2, S3, S6, or none of these, and why. Pure.

The types (clauses 4.2.1 to 4.2.3 and 4.2.6, their meanings read second hand; the standard was not
opened): S1 a constant load until the temperature has settled; S2 a constant load too short for
that, then rest until the machine is cold again; S3 equal cycles of a constant load and rest; S6
equal cycles of a constant load and of running without load, no rest.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from logger.arrays import Floats

__all__ = ["DutyReason", "DutyType", "FoundDuty", "LoadProfile", "duty_type"]

REST_SHARE: Final = 0.1
"""Of the load's upper level, below which there is no load."""
CONSTANT_SHARE: Final = 0.1
"""By which ten minutes' RMS may differ in a constant load."""
STANDSTILL_SHARE: Final = 0.02
"""Of the highest speed, below which a joint stands still."""
BLOCK_S: Final = 600
LEAST_REST_SHARE: Final = 0.1
"""Of a cycle; what rests for less only passes through zero."""
MOST_REST_SHARE: Final = 0.02
"""Of a constant load."""
COOLED_TIMES: Final = 3.0
"""Time constants of rest after which a joint is cold (5 % of the rise are left)."""
SETTLED_TIMES: Final = 3.0


class DutyType(StrEnum):
    """A duty type of IEC 60034-1."""

    S1 = "S1"
    S2 = "S2"
    S3 = "S3"
    S6 = "S6"
    OTHER = "none of S1, S2, S3, S6"
    NOT_KNOWN = "not known"


class DutyReason(StrEnum):
    """Why it is this type, or none."""

    CONSTANT_SETTLED = "constant load, settled"
    CONSTANT_NOT_SETTLED = "constant load, not settled"
    CONSTANT_THEN_REST = "constant load, then rest"
    REST_TOO_SHORT = "rest too short"
    CYCLES_WITH_REST = "cycles with rest"
    CYCLES_RUNNING_IDLE = "cycles running idle"
    CYCLES_REST_OR_IDLE = "cycles, rest or idle"
    """No speed is recorded: whether the joint turns without load is not known: S3 or S6."""
    CYCLES_WITHOUT_REST = "cycles without rest"
    NO_CYCLE = "no cycle"
    NO_LOAD = "no load"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadProfile:
    """Load and speed over some cycles, as means over n short steps, NaN in a gap."""

    load: Floats
    """Of the magnitude of the load."""
    speed: Floats
    """Of the magnitude; all NaN where it is not recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundDuty:
    """A duty type, and what it was decided by."""

    kind: DutyType
    reason: DutyReason
    loaded_share: float | None = None
    """Cyclic duration factor: loaded time against the cycle's; None without cycles."""
    loaded_rms: float | None = None
    """RMS of the load while there is one."""
    is_varying: bool = False
    """While it is loaded the load is not constant: its RMS stands for it."""
    lasted_s: float | None = None
    """For how long a load lasted that was then taken away (S2)."""
    rest_s: float | None = None
    """The rest behind it."""


def duty_type(
    held_s: Floats,
    energy: Floats,
    *,
    cycles: LoadProfile | None,
    time_constant_s: float | None,
    is_settled: bool | None,
) -> FoundDuty:
    """Return the duty type of a load.

    Parameters
    ----------
    held_s, energy
        Held time and integral of the squared load of each second, shape (n,).
    cycles
        Some cycles in short steps, where the load has a cycle.
    time_constant_s
        The slow one of the joint; None: not known.
    is_settled
        Whether the temperature had settled at the end (2 K/h); None: not known.
    """
    square = np.divide(energy, held_s, out=np.zeros(len(held_s)), where=held_s > 0.0)
    upper = float(np.quantile(np.sqrt(square[held_s > 0.0]), 0.95)) if held_s.any() else 0.0
    if upper <= 0.0:
        return FoundDuty(kind=DutyType.NOT_KNOWN, reason=DutyReason.NO_LOAD)
    if cycles is not None:
        return _of_cycles(cycles)
    is_loaded = (np.sqrt(square) > REST_SHARE * upper) & (held_s > 0.0)
    first, last = np.flatnonzero(is_loaded)[[0, -1]]
    within = slice(int(first), int(last) + 1)
    if not _is_constant(held_s[within], energy[within], is_loaded[within]):
        return FoundDuty(kind=DutyType.OTHER, reason=DutyReason.NO_CYCLE)
    rms = float(np.sqrt(energy[within].sum() / held_s[within].sum()))
    lasted_s, rest_s = float(last + 1 - first), float(len(held_s) - 1 - last)
    settles = time_constant_s is not None and lasted_s >= SETTLED_TIMES * time_constant_s
    if rest_s >= BLOCK_S or (time_constant_s is not None and rest_s > time_constant_s):
        cooled = time_constant_s is not None and rest_s >= COOLED_TIMES * time_constant_s
        is_short = cooled and not settles
        return FoundDuty(
            kind=DutyType.S2 if is_short else (DutyType.S1 if settles else DutyType.NOT_KNOWN),
            reason=DutyReason.CONSTANT_THEN_REST
            if is_short
            else (DutyReason.CONSTANT_SETTLED if settles else DutyReason.REST_TOO_SHORT),
            loaded_rms=rms,
            lasted_s=lasted_s,
            rest_s=rest_s,
        )
    is_settled = settles if is_settled is None else is_settled
    return FoundDuty(
        kind=DutyType.S1 if is_settled else DutyType.NOT_KNOWN,
        reason=DutyReason.CONSTANT_SETTLED if is_settled else DutyReason.CONSTANT_NOT_SETTLED,
        loaded_rms=rms,
        lasted_s=lasted_s,
    )


def _of_cycles(cycles: LoadProfile) -> FoundDuty:
    held = np.isfinite(cycles.load)
    load = cycles.load[held]
    upper = float(np.quantile(load, 0.95))
    is_loaded = load > REST_SHARE * upper
    share = float(is_loaded.mean())
    rms = float(np.sqrt(np.square(load[is_loaded]).mean()))
    varying = float(load[is_loaded].std()) > 2.5 * CONSTANT_SHARE * rms
    if share > 1.0 - LEAST_REST_SHARE:
        kind, reason = DutyType.OTHER, DutyReason.CYCLES_WITHOUT_REST
    else:
        speed = cycles.speed[held]
        if not np.isfinite(speed[~is_loaded]).any():
            kind, reason = DutyType.NOT_KNOWN, DutyReason.CYCLES_REST_OR_IDLE
        else:
            idle = speed[~is_loaded]
            turning = float(np.nanmean(idle > STANDSTILL_SHARE * float(np.nanmax(speed))))
            rests = turning < 0.5
            kind = DutyType.S3 if rests else DutyType.S6
            reason = DutyReason.CYCLES_WITH_REST if rests else DutyReason.CYCLES_RUNNING_IDLE
    return FoundDuty(
        kind=kind, reason=reason, loaded_share=share, loaded_rms=rms, is_varying=varying
    )


def _is_constant(held_s: Floats, energy: Floats, is_loaded: np.ndarray) -> bool:
    """Return whether there is a load all the time, the same in each ten minutes."""
    if is_loaded.mean() < 1.0 - MOST_REST_SHARE:
        return False
    # A load that lasts less than some blocks is looked at in shorter ones.
    width = max(min(BLOCK_S, len(held_s) // 4), 1)
    block = np.arange(len(held_s)) // width
    held = np.bincount(block, held_s)
    kept = held > 0.5 * width
    rms = np.sqrt(np.bincount(block, energy)[kept] / held[kept])
    return bool(len(rms)) and float(np.ptp(rms)) <= 2.0 * CONSTANT_SHARE * float(rms.mean())
