"""What the alerts of a candidate were worth on one joint of one recording. Pure.

Each bad end has a *window* before its onset: from the end of the one before (or the beginning of
the recording), or `within_s` before the onset, whichever is later. A bad end is **caught** when an
alert was raised in its window at least `least_lead_s` before the onset, or stood from before the
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

from logger.limits.nuisance import chattering
from replay.evaluation.alert_arrays import Alerts
from replay.tuning.bad_ends import Spans

__all__ = ["Score", "Terms", "score"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What alerts on one joint of one recording are held against."""

    start_ns: int
    end_ns: int
    heard_s: float
    """Time during which a recorder listened."""
    bad_ends: Spans
    within_s: float | None = None
    least_lead_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What a candidate was worth on one joint of one recording."""

    lead_s: tuple[float, ...]
    """For each bad end from the first word of it to its onset; NaN: it was missed."""
    alerts: int
    false_alerts: int
    heard_s: float
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
        return self.false_alerts / (self.heard_s / 3600.0) if self.heard_s > 0 else math.nan


def score(alerts: Sequence[tuple[Alerts, bool]], terms: Terms) -> Score:
    """Return the score of a candidate.

    Parameters
    ----------
    alerts
        Of each of its limits, and whether that is a trip.
    """
    raised = np.concatenate([np.empty(0, np.int64), *(one.raised_ns for one, _ in alerts)])
    returned = np.concatenate([np.empty(0, np.int64), *(one.returned_ns for one, _ in alerts)])
    excused = np.zeros(len(raised), np.bool_)
    least_ns = round(terms.least_lead_s * 1e9)
    leads = []
    opened = terms.start_ns
    for onset, over in terms.bad_ends:
        opens = opened
        if terms.within_s is not None:
            opens = max(opens, onset - round(terms.within_s * 1e9))
        opened = over
        stood = (raised < opens) & (returned > onset)
        excused |= (raised >= opens) & (raised <= onset)
        excused |= (raised > onset) & (raised < over)
        told = raised[raised >= opens]
        if stood.any():
            told = np.append(told, np.int64(opens))
        leads.append(_lead_s(told, onset, least_ns))
    trips = [int(one.raised_ns[0]) for one, trip in alerts if trip and len(one)]
    if not any(trip for _, trip in alerts):
        lost = math.nan
    else:
        whole = max(terms.end_ns - terms.start_ns, 1)
        lost = (terms.end_ns - min([*trips, terms.end_ns])) / whole
    return Score(
        lead_s=tuple(leads),
        alerts=len(raised),
        false_alerts=int(np.count_nonzero(~excused)),
        heard_s=terms.heard_s,
        chatters=sum(len(chattering(one.raised_ns.tolist())) for one, _ in alerts),
        lost_share=lost,
    )


def _lead_s(told: NDArray[np.int64], onset: int, least_ns: int) -> float:
    """Return the lead of the first word of a bad end; NaN where none came in time."""
    early = told[told <= onset - least_ns]
    return (onset - int(early.min())) * 1e-9 if len(early) else math.nan
