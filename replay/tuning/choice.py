"""Which candidates are worth a look, which one is chosen, and how far that can be trusted. Pure.

**Best trade-offs**: those that no other beats in the share of bad ends caught, in lead time and in
false alerts an hour at once. **The choice** follows one rule, said in RULE. A rule that picks the
best of many flatters itself, so it is **judged** on what it did not see: for each recording it is
applied to all others, and what it picked is scored on the one left out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from replay.tuning.score import Score

__all__ = ["RULE", "Judgement", "Total", "choice", "front", "judged", "total", "wilson"]

RULE: Final = (
    "of those that catch the most bad ends the one with the fewest false alerts an hour; of equals "
    "the longest median lead, then the longest worst one, the fewest stretches of chattering, the "
    "least of the test lost, and at last the first in the order of the sweep"
)
_Z: Final = 1.959963984540054
"""Two-sided 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """The scores of one candidate over several recordings and joints together."""

    bad_ends: int
    caught: int
    median_lead_s: float
    """Over the bad ends that were caught; NaN: none was."""
    worst_lead_s: float
    false_alerts: int
    heard_s: float
    """Time of listening, of all joints together."""
    chatters: int
    lost_share: float
    """Mean over recordings and joints; NaN: no limit of it is a trip."""

    @property
    def caught_share(self) -> float:
        """Share of the bad ends that was caught; NaN without any."""
        return self.caught / self.bad_ends if self.bad_ends else math.nan

    @property
    def false_per_h(self) -> float:
        """False alerts in an hour of one joint."""
        return self.false_alerts / (self.heard_s / 3600.0) if self.heard_s > 0 else math.nan


def total(scores: Sequence[Score]) -> Total:
    """Return the scores of one candidate as one."""
    leads = [lead for one in scores for lead in one.lead_s if not math.isnan(lead)]
    lost = [one.lost_share for one in scores if not math.isnan(one.lost_share)]
    return Total(
        bad_ends=sum(one.bad_ends for one in scores),
        caught=len(leads),
        median_lead_s=float(np.median(leads)) if leads else math.nan,
        worst_lead_s=min(leads, default=math.nan),
        false_alerts=sum(one.false_alerts for one in scores),
        heard_s=math.fsum(one.heard_s for one in scores),
        chatters=sum(one.chatters for one in scores),
        lost_share=math.fsum(lost) / len(lost) if lost else math.nan,
    )


def choice(totals: Sequence[Total]) -> int | None:
    """Return the place of the one that RULE picks; None where none catches anything."""
    if not any(one.caught for one in totals):
        return None
    return min(range(len(totals)), key=lambda place: (_order(totals[place]), place))


def _order(one: Total) -> tuple[float, ...]:
    lost = 0.0 if math.isnan(one.lost_share) else one.lost_share
    if not one.caught:
        return (0.0, one.false_per_h, 0.0, 0.0, float(one.chatters), lost)
    leads = (-one.median_lead_s, -one.worst_lead_s)
    return (-float(one.caught), one.false_per_h, *leads, float(one.chatters), lost)


def front(totals: Sequence[Total]) -> list[int]:
    """Return the places of the best trade-offs, the fewest false alerts first.

    Of several that are alike in all three only the one that RULE prefers is named.
    """
    order = sorted(
        (place for place in range(len(totals)) if totals[place].caught),
        key=lambda place: (totals[place].false_per_h, _order(totals[place]), place),
    )
    found: list[int] = []
    for place in order:
        one = totals[place]
        # Those before have no more false alerts: one that catches and leads as well beats it.
        beaten = any(
            totals[other].caught >= one.caught and totals[other].median_lead_s >= one.median_lead_s
            for other in found
        )
        if not beaten:
            found.append(place)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """How the rule did on recordings that it had not seen; or why that cannot be said."""

    why_not: str
    """In words; empty: it can be."""
    chosen: tuple[int, ...] = ()
    """For each recording that was left out: the place of what the others chose."""
    left_out: tuple[Total, ...] = ()
    """What that was worth on it."""

    @property
    def bad_ends(self) -> int:
        """How many were to be caught, over all recordings left out."""
        return sum(one.bad_ends for one in self.left_out)

    @property
    def caught(self) -> int:
        """How many were."""
        return sum(one.caught for one in self.left_out)

    @property
    def caught_between(self) -> tuple[float, float]:
        """The share that is caught of such bad ends, within 95 %."""
        return wilson(self.caught, self.bad_ends)

    @property
    def false_per_h(self) -> tuple[float, float, float]:
        """Lowest, mean (by time) and highest over the recordings left out."""
        each = [one.false_per_h for one in self.left_out if one.heard_s > 0]
        hours = math.fsum(one.heard_s for one in self.left_out) / 3600.0
        alerts = sum(one.false_alerts for one in self.left_out)
        if not each:
            return (math.nan, math.nan, math.nan)
        return (min(each), alerts / hours, max(each))

    @property
    def lead_s(self) -> tuple[float, float, float]:
        """Shortest, median and longest of the medians of the recordings left out."""
        each = [one.median_lead_s for one in self.left_out if one.caught]
        if not each:
            return (math.nan, math.nan, math.nan)
        return (min(each), float(np.median(each)), max(each))


def judged(scores: Sequence[Sequence[Sequence[Score]]]) -> Judgement:
    """Return how RULE does on recordings that it had not seen.

    Parameters
    ----------
    scores
        Recording -> candidate -> joint.
    """
    bad = [place for place, one in enumerate(scores) if any(part.bad_ends for part in one[0])]
    if len(bad) < 2:
        has = "none of the recordings has a bad end" if not bad else "only one recording has any"
        return Judgement(
            why_not=f"{has}, and it takes two: one to choose by and one to judge by. How well the "
            "choice will do on another test cannot be said."
        )
    chosen, left_out = [], []
    for place, held in enumerate(scores):
        seen = [one for other, one in enumerate(scores) if other != place]
        totals = [
            total([part for one in seen for part in one[candidate]])
            for candidate in range(len(held))
        ]
        picked = choice(totals)
        if picked is None:
            return Judgement(
                why_not="without one of the recordings no candidate catches anything, so there is "
                "nothing to judge by it. How well the choice will do on another test cannot be "
                "said."
            )
        chosen.append(picked)
        left_out.append(total(held[picked]))
    return Judgement(why_not="", chosen=tuple(chosen), left_out=tuple(left_out))


def wilson(hits: int, tries: int) -> tuple[float, float]:
    """Return the 95 % interval of a share of which `hits` of `tries` were seen.

    The score interval of E. B. Wilson, "Probable inference, the law of succession, and statistical
    inference", J. Am. Stat. Assoc. 22 (1927), pages 209 to 212 (formula from memory). Tries that
    depend on each other, as bad ends of one test may, make it too narrow.
    """
    if tries == 0:
        return (0.0, 1.0)
    share, extra = hits / tries, _Z * _Z / tries
    centre = (share + extra / 2) / (1 + extra)
    half = _Z * math.sqrt(share * (1 - share) / tries + extra / (4 * tries)) / (1 + extra)
    return (centre - half if hits else 0.0, centre + half if hits < tries else 1.0)
