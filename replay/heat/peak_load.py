"""Loads beyond which heat alone says too little: what a joint is stated, allowed or seen to bear.

A winding takes minutes to warm, so heat alone would allow for seconds what no drive gives and no
gear survives. Claims, trips, measured ceilings and what was ever recorded say where that begins.
Pure; `known_peaks` reads them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from replay.heat.text import unit_text

__all__ = ["PeakLoad", "PeakSource", "beyond_text", "first_beyond", "peak_text", "peaks_passed"]

_ALIKE: Final = 1e-6
"""Share by which a load may be more than a peak and still be that peak."""


class PeakSource(StrEnum):
    """Where a peak is from, what binds most first."""

    CLAIM = "claim"
    """`peak_torque_Nm` or `peak_current_A` of the bench file."""
    LIMIT = "limit"
    """A trip in force on its torque or current, at most seconds late."""
    MEASURED = "measured"
    """A ceiling that was measured, and kept in one of the recordings."""
    RECORDED = "recorded"
    """The largest load of the recordings: beyond it the model was never tried."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakLoad:
    """A load beyond which a time that heat alone allows is not to be relied on."""

    source: PeakSource
    load: float
    """A magnitude, in the fit's unit."""
    limit: str = ""
    """Name of the limit, of a `LIMIT`."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {"source": self.source.value, "load": self.load, "limit": self.limit or None}


def peaks_passed(peaks: Sequence[PeakLoad], load: float) -> tuple[PeakLoad, ...]:
    """Return the peaks that a load is beyond, what binds most first."""
    order = list(PeakSource)
    passed = [one for one in peaks if load > one.load * (1.0 + _ALIKE)]
    return tuple(sorted(passed, key=lambda one: (order.index(one.source), one.load)))


def first_beyond(peaks: Sequence[PeakLoad], load: float) -> PeakLoad | None:
    """Return of the peaks that a load is beyond the one that binds most; None where of none."""
    return next(iter(peaks_passed(peaks, load)), None)


def peak_text(peak: PeakLoad, unit: str) -> str:
    """Return a peak in words; `unit`: UCUM."""
    load = f"{peak.load:.3g} {unit_text(unit)}"
    return {
        PeakSource.CLAIM: f"the stated peak of {load}",
        PeakSource.LIMIT: f"the trip {peak.limit} at {load}",
        PeakSource.MEASURED: f"the measured ceiling of {load}",
        PeakSource.RECORDED: f"the most that was ever recorded, {load}",
    }[peak.source]


def beyond_text(peak: PeakLoad, unit: str) -> str:
    """Return of a load that it is beyond a peak; `unit`: UCUM."""
    if peak.source is PeakSource.RECORDED:
        return f"more than was ever recorded: {peak.load:.3g} {unit_text(unit)}"
    return f"beyond {peak_text(peak, unit)}"
