"""What the alerts of a candidate were worth on one joint of one recording. Pure.

Each bad end has a *window* before its onset: from the end of the one before (or the beginning of
the recording), or `within_s` before the onset, whichever is later. A bad end is **caught** when an
alert was raised in its window at least `min_lead_s` before the onset, or stood from before the
window through to the onset. The **lead** is from the first raise in the window (of one that stood
from before: from where the window opens) to the onset.

An alert that was raised neither in a window nor in a bad end is a **false alert**, also when it
stood until a bad end came: whoever was told so long before was told for nothing, and a limit that
always stands must not look like a good one. What is raised during a bad end, or in its window but
too late to catch it, is neither.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_ns, to_s
from logger.limits.nuisance import chattering_spans
from replay.evaluation.alert_arrays import AlertArrays
from replay.tuning.bad_ends import TimeSpans

__all__ = ["Score", "ScoringTerms", "score_alerts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoringTerms:
    """What alerts on one joint of one recording are held against."""

    start_ns: int
    end_ns: int
    recorded_s: float
    """Time during which a recorder listened."""
    bad_ends: TimeSpans
    within_s: float | None = None
    min_lead_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What a candidate was worth on one joint of one recording."""

    lead_s: tuple[float, ...]
    """For each bad end from the first word of it to its onset; NaN: it was missed."""
    alerts: int
    false_alerts: int
    recorded_s: float
    chatters: int
    """Stretches in which one limit was raised three times or more within a minute."""
    lost_share: float
    """Share of the recording behind the first trip, had it stopped the joint; NaN: no limit of the
    candidate is a trip."""

    @property
    def bad_ends(self) -> int:
        """How many there were to be caught."""
        return len(self.lead_s)

    @property
    def caught(self) -> int:
        """How many were."""
        return sum(not math.isnan(lead) for lead in self.lead_s)

    @property
    def false_per_h(self) -> float:
        """False alerts in an hour of listening."""
        return self.false_alerts / (self.recorded_s / 3600.0) if self.recorded_s > 0 else math.nan


def score_alerts(alerts: Sequence[tuple[AlertArrays, bool]], terms: ScoringTerms) -> Score:
    """Return the score of a candidate.

    Parameters
    ----------
    alerts
        Of each of its limits, and whether that is a trip.
    """
    raised_ns = np.concatenate(
        [np.empty(0, np.int64), *(limit_alerts.raised_ns for limit_alerts, _ in alerts)]
    )
    returned_ns = np.concatenate(
        [np.empty(0, np.int64), *(limit_alerts.returned_ns for limit_alerts, _ in alerts)]
    )
    excused = np.zeros(len(raised_ns), np.bool_)
    min_lead_ns = to_ns(terms.min_lead_s)
    leads = []
    window_start_ns = terms.start_ns
    for onset_ns, ended_ns in terms.bad_ends:
        window_ns = window_start_ns
        if terms.within_s is not None:
            window_ns = max(window_ns, onset_ns - to_ns(terms.within_s))
        window_start_ns = ended_ns
        is_standing = (raised_ns < window_ns) & (returned_ns > onset_ns)
        excused |= (raised_ns >= window_ns) & (raised_ns <= onset_ns)
        excused |= (raised_ns > onset_ns) & (raised_ns < ended_ns)
        alerts_in_window = raised_ns[raised_ns >= window_ns]
        if is_standing.any():
            alerts_in_window = np.append(alerts_in_window, np.int64(window_ns))
        leads.append(_earliest_lead_s(alerts_in_window, onset_ns, min_lead_ns))
    trips = [
        int(limit_alerts.raised_ns[0])
        for limit_alerts, trip in alerts
        if trip and len(limit_alerts)
    ]
    if not any(trip for _, trip in alerts):
        lost = math.nan
    else:
        duration_ns = max(terms.end_ns - terms.start_ns, 1)
        lost = (terms.end_ns - min([*trips, terms.end_ns])) / duration_ns
    return Score(
        lead_s=tuple(leads),
        alerts=len(raised_ns),
        false_alerts=int(np.count_nonzero(~excused)),
        recorded_s=terms.recorded_s,
        chatters=sum(
            len(chattering_spans(limit_alerts.raised_ns.tolist())) for limit_alerts, _ in alerts
        ),
        lost_share=lost,
    )


def _earliest_lead_s(alerts_ns: NDArray[np.int64], onset_ns: int, min_lead_ns: int) -> float:
    """Return the lead of the first word of a bad end; NaN where none came in time."""
    early = alerts_ns[alerts_ns <= onset_ns - min_lead_ns]
    return to_s(onset_ns - int(early.min())) if len(early) else math.nan
