"""The score of a candidate's alerts on one joint of one recording. Pure.

Each bad end has a *window* before its onset: from the end of the previous one (or the start of the
recording), or `within_s` before the onset, whichever is later. A bad end is **caught** when an
alert was raised in its window at least `min_lead_s` before the onset, or was active from before
the window until the onset. The **lead** is the time from the first raise in the window (or, of an
alert that was active before, from the begin of the window) to the onset.

An alert that was raised neither in a window nor in a bad end is a **false alert**, also when it was
active until a bad end came: a warning so long before is of no use, and a limit that is always
active must not look like a good one. An alert raised during a bad end, or in its window but too
late to catch it, counts as neither.
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
    """What alerts on one joint of one recording are compared with."""

    start_ns: int
    end_ns: int
    recorded_s: float
    """Time during which a recorder ran."""
    bad_ends: TimeSpans
    within_s: float | None = None
    min_lead_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """The score of a candidate on one joint of one recording."""

    lead_s: tuple[float, ...]
    """Lead of each bad end; NaN where it was missed."""
    alerts: int
    false_alerts: int
    recorded_s: float
    chatters: int
    """Spans in which one limit was raised three times or more within a minute."""
    lost_share: float
    """Share of the recording after the first trip, which would have stopped the joint; NaN: the
    candidate has no trip."""

    @property
    def bad_ends(self) -> int:
        """Number of bad ends."""
        return len(self.lead_s)

    @property
    def caught(self) -> int:
        """Number of bad ends that were caught."""
        return sum(not math.isnan(lead) for lead in self.lead_s)

    @property
    def false_per_h(self) -> float:
        """False alerts per recorded hour."""
        return self.false_alerts / (self.recorded_s / 3600.0) if self.recorded_s > 0 else math.nan


def score_alerts(alerts: Sequence[tuple[AlertArrays, bool]], terms: ScoringTerms) -> Score:
    """Return the score of a candidate.

    Parameters
    ----------
    alerts
        The alerts of each of its limits, and whether that limit is a trip.
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
    """Return the lead of the earliest alert in time for a bad end; NaN where there is none."""
    early = alerts_ns[alerts_ns <= onset_ns - min_lead_ns]
    return to_s(onset_ns - int(early.min())) if len(early) else math.nan
