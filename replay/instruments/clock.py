"""How far an instrument's clock is off the recording's, from what both saw, with its uncertainty.

    true time = instrument's time + offset + drift * (instrument's time - middle)

Offset, drift, the lag of the instrument's sensor and whether it samples or takes means are found
together, as a posterior over a grid that is narrowed to where the instrument is matched
(Gaussian noise of unknown variance, the likelihood's exponent lowered where what is left over is
correlated). A lag moves edges as an offset does, and rounds them as an offset does not: only so can
the two be told apart. A dead time rounds nothing and is part of the offset. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np

from logger.arrays import Floats
from replay.instruments.instrument_mode import InstrumentMode
from replay.instruments.match import Window
from replay.instruments.posterior import Posterior, coarse_starts, narrow_down

__all__ = ["Bounds", "ClockCaution", "ClockEstimate", "estimate_clock"]

_RIVAL_LOG: Final = 10.0
_RIVAL_RATIO: Final = 1.25
_LAG_RATIO: Final = 1.6
"""How much wider than at a known lag an offset is that its lag makes uncertain."""
_FIT_LOG: Final = 25.0
"""By how much the match must beat no match at all."""


class ClockCaution(StrEnum):
    """What has to be known before an offset is used."""

    AMBIGUOUS = "ambiguous"
    LAG_NOT_SEPARATE = "lag not separate"
    AT_BORDER = "at border"
    WHOLE_STAMPS = "whole stamps"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockEstimate:
    """By how much an instrument's times have to be moved."""

    offset_s: Bounds
    """To be added to its times in the middle of the windows; a dead time is part of it."""
    drift: Bounds
    """Seconds a second; 0 to 0 where the windows lie too close together for one to matter."""
    lag_s: Bounds
    averaged_share: float
    """How likely it is that a reading is the mean of a period and no sample."""
    explained: float
    """Share of the instrument's variance that the joint's channel explains."""
    windows: int
    readings: int
    rivals_s: tuple[float, ...]
    """Other offsets that match about as well: the signal is periodic."""
    cautions: tuple[ClockCaution, ...]

    @property
    def drift_matters(self) -> bool:
        """Whether the drift's interval leaves 0 out."""
        return self.drift.low > 0.0 or self.drift.high < 0.0

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "offset_s": self.offset_s.value,
            "offset_interval_s": [self.offset_s.low, self.offset_s.high],
            "drift_ppm": self.drift.value * 1e6,
            "drift_interval_ppm": [self.drift.low * 1e6, self.drift.high * 1e6],
            "lag_s": self.lag_s.value,
            "lag_interval_s": [self.lag_s.low, self.lag_s.high],
            "averaged_share": self.averaged_share,
            "explained": self.explained,
            "windows": self.windows,
            "readings": self.readings,
            "rivals_s": list(self.rivals_s),
            "cautions": [str(one) for one in self.cautions],
        }


def estimate_clock(
    windows: Sequence[Window],
    *,
    period_s: float,
    within_s: float,
    mode: InstrumentMode | None = None,
) -> ClockEstimate | None:
    """Return the offset and drift of an instrument's clock; None where nothing of it is matched.

    Parameters
    ----------
    windows
        Their times must be counted from about the middle of all of them, so that the offset is
        told where it is known best.
    period_s
        The instrument's.
    within_s
        The offset that is possible at most, either way.
    mode
        What one of its readings is; None: not known.
    """
    total = sum(float(window.centred @ window.centred) for window in windows)
    if total == 0.0:
        return None
    starts = coarse_starts(windows, period_s, within_s)
    means_s = {
        None: (0.0, period_s),
        InstrumentMode.SAMPLED: (0.0,),
        InstrumentMode.AVERAGED: (period_s,),
    }[mode]
    found = [narrow_down(windows, start, means_s) for start in starts]
    best = max(found, key=lambda one: float(one.log.max()))
    if best.freedom / 2 * np.log(total / best.left_over) < _FIT_LOG:
        return None
    own_step_s = max(window.reference.step_s for window in windows)
    offset_s, drift, lag_s, averaged, alone_s = _marginals(best, own_step_s)
    step_s = starts[0].step_s
    rivals_s = _rivals(best, found, total, apart_s=max(3 * step_s, offset_s.high - offset_s.low))
    cautions = []
    if rivals_s:
        cautions.append(ClockCaution.AMBIGUOUS)
    width_s = offset_s.high - offset_s.low
    if width_s > _LAG_RATIO * alone_s and width_s > max(0.2, 2 * own_step_s):
        cautions.append(ClockCaution.LAG_NOT_SEPARATE)
    if abs(offset_s.value) + width_s / 2 > within_s - step_s:
        cautions.append(ClockCaution.AT_BORDER)
    return ClockEstimate(
        offset_s=offset_s,
        drift=drift,
        lag_s=lag_s,
        averaged_share=averaged,
        explained=1.0 - best.left_over / total,
        windows=len(windows),
        readings=sum(len(window.times_s) for window in windows),
        rivals_s=rivals_s,
        cautions=tuple(cautions),
    )


def _marginals(
    found: Posterior, reference_step_s: float
) -> tuple[Bounds, Bounds, Bounds, float, float]:
    """Return offset, drift, lag, the share of averaging, and how wide the offset is by itself."""
    weights, grid = found.weights, found.grid
    # An edge of the joint lies between two of its readings, and is looked for on their grid.
    slack_s = reference_step_s
    offset_s = _bounds(grid.offsets_s, weights.sum(axis=(0, 1, 2)), slack_s)
    lag_s = _bounds(grid.lags_s, weights.sum(axis=(0, 2, 3)))
    drift = (
        _bounds(grid.drifts, weights.sum(axis=(0, 1, 3)))
        if len(grid.drifts) > 1
        else Bounds(value=0.0, low=0.0, high=0.0)
    )
    averaged = sum(
        float(weights[at].sum()) for at, mean_s in enumerate(grid.means_s) if mean_s > 0.0
    )
    mean, lag, _, _ = found.top
    alone = weights[mean, lag].sum(axis=0)
    by_itself = _bounds(grid.offsets_s, alone / alone.sum(), slack_s)
    return offset_s, drift, lag_s, averaged, by_itself.high - by_itself.low


def _bounds(values: Floats, weights: Floats, slack: float = 0.0) -> Bounds:
    mean = float(values @ weights)
    if len(values) == 1:
        return Bounds(value=mean, low=mean - slack, high=mean + slack)
    edges = np.r_[values[0], (values[1:] + values[:-1]) / 2, values[-1]]
    sums = np.r_[0.0, np.cumsum(weights)]
    low, high = np.interp([0.025, 0.975], sums / sums[-1], edges)
    return Bounds(value=mean, low=float(low) - slack, high=float(high) + slack)


def _rivals(
    best: Posterior, found: Sequence[Posterior], total: float, *, apart_s: float
) -> tuple[float, ...]:
    """Return the other offsets that match about as well."""
    best_s = float(best.grid.offsets_s[best.top[3]])
    explained = 1.0 - best.left_over / total
    rivals: list[float] = []
    for one in found:
        offset_s = float(one.grid.offsets_s[one.top[3]])
        if any(abs(offset_s - other) < apart_s for other in (best_s, *rivals)):
            continue
        short_by = best.freedom / 2 * np.log(one.left_over / best.left_over)
        close = one.left_over < _RIVAL_RATIO * best.left_over and explained > 0.5
        if short_by < _RIVAL_LOG or close:
            rivals.append(offset_s)
    return tuple(sorted(rivals))
