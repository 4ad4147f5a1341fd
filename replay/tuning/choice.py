"""The best candidates, the chosen one, and how far the choice can be trusted. Pure.

The **Pareto front** holds the candidates that no other beats in bad ends caught, lead time and
false alerts an hour at once. The **choice** follows one rule, `CHOICE_RULE`. The best of many looks
better on the data it was chosen by than it is, so the rule is **validated** by leaving one out: for
each recording it is applied to all others, and what it chose is scored on the one left out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from replay.tuning.score import Score

__all__ = [
    "CHOICE_RULE",
    "CrossValidation",
    "ScoreTotal",
    "choose_candidate",
    "leave_one_out",
    "pareto_front",
    "total_score",
    "wilson_interval",
]

CHOICE_RULE: Final = (
    "of those that catch the most bad ends the one with the fewest false alerts an hour; of equals "
    "the longest median lead, then the longest worst one, the fewest stretches of chattering, the "
    "least of the test lost, and at last the first in the order of the sweep"
)
_NORMAL_95: Final = 1.959963984540054
"""Two-sided 95 % of a normal distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreTotal:
    """The scores of one candidate over several recordings and joints together."""

    bad_ends: int
    caught: int
    median_lead_s: float
    """Over the bad ends that were caught; NaN: none was."""
    worst_lead_s: float
    false_alerts: int
    recorded_s: float
    """Recorded time, added up over all joints."""
    chatters: int
    lost_share: float
    """Mean over recordings and joints; NaN: no limit of it is a trip."""

    @property
    def false_per_h(self) -> float:
        """False alerts per hour of one joint."""
        return self.false_alerts / (self.recorded_s / 3600.0) if self.recorded_s > 0 else math.nan


def total_score(scores: Sequence[Score]) -> ScoreTotal:
    """Return the scores of one candidate as one total."""
    leads = [lead for score in scores for lead in score.lead_s if not math.isnan(lead)]
    lost = [score.lost_share for score in scores if not math.isnan(score.lost_share)]
    return ScoreTotal(
        bad_ends=sum(score.bad_ends for score in scores),
        caught=len(leads),
        median_lead_s=float(np.median(leads)) if leads else math.nan,
        worst_lead_s=min(leads, default=math.nan),
        false_alerts=sum(score.false_alerts for score in scores),
        recorded_s=math.fsum(score.recorded_s for score in scores),
        chatters=sum(score.chatters for score in scores),
        lost_share=math.fsum(lost) / len(lost) if lost else math.nan,
    )


def choose_candidate(totals: Sequence[ScoreTotal]) -> int | None:
    """Return the index of the candidate that `CHOICE_RULE` picks; None if none catches anything."""
    if not any(total.caught for total in totals):
        return None
    return min(range(len(totals)), key=lambda index: (_preference_key(totals[index]), index))


def _preference_key(total: ScoreTotal) -> tuple[float, ...]:
    lost = 0.0 if math.isnan(total.lost_share) else total.lost_share
    if not total.caught:
        return (0.0, total.false_per_h, 0.0, 0.0, float(total.chatters), lost)
    leads = (-total.median_lead_s, -total.worst_lead_s)
    return (-float(total.caught), total.false_per_h, *leads, float(total.chatters), lost)


def pareto_front(totals: Sequence[ScoreTotal]) -> list[int]:
    """Return the indices of the Pareto front, the fewest false alerts first.

    Of several that are equal in all three respects only the one that `CHOICE_RULE` prefers.
    """
    order = sorted(
        (index for index in range(len(totals)) if totals[index].caught),
        key=lambda index: (totals[index].false_per_h, _preference_key(totals[index]), index),
    )
    front: list[int] = []
    for index in order:
        total = totals[index]
        # Those on the front have no more false alerts; one that also catches and leads as well
        # beats this candidate.
        beaten = any(
            totals[better].caught >= total.caught
            and totals[better].median_lead_s >= total.median_lead_s
            for better in front
        )
        if not beaten:
            front.append(index)
    return front


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossValidation:
    """How the choices of the rule did on recordings that they were not chosen by."""

    why_not: str
    """Why this cannot be known, in words; empty: the fields below hold it."""
    chosen: tuple[int, ...] = ()
    """For each recording left out: the index of the candidate that the others chose."""
    left_out: tuple[ScoreTotal, ...] = ()
    """The score of that candidate on the recording left out."""

    @property
    def bad_ends(self) -> int:
        """Number of bad ends, over all recordings left out."""
        return sum(total.bad_ends for total in self.left_out)

    @property
    def caught(self) -> int:
        """Number of bad ends that were caught."""
        return sum(total.caught for total in self.left_out)

    @property
    def caught_interval(self) -> tuple[float, float]:
        """95 % interval of the share of such bad ends that is caught."""
        return wilson_interval(self.caught, self.bad_ends)

    @property
    def false_per_h(self) -> tuple[float, float, float]:
        """Lowest, mean (weighted by time) and highest over the recordings left out."""
        rates = [total.false_per_h for total in self.left_out if total.recorded_s > 0]
        hours = math.fsum(total.recorded_s for total in self.left_out) / 3600.0
        alerts = sum(total.false_alerts for total in self.left_out)
        if not rates:
            return (math.nan, math.nan, math.nan)
        return (min(rates), alerts / hours, max(rates))

    @property
    def lead_s(self) -> tuple[float, float, float]:
        """Shortest, median and longest of the medians of the recordings left out."""
        leads = [total.median_lead_s for total in self.left_out if total.caught]
        if not leads:
            return (math.nan, math.nan, math.nan)
        return (min(leads), float(np.median(leads)), max(leads))


def leave_one_out(scores: Sequence[Sequence[Sequence[Score]]]) -> CrossValidation:
    """Return how `CHOICE_RULE` does on recordings that it was not applied to.

    Parameters
    ----------
    scores
        Indexed by recording, candidate, joint.
    """
    with_bad_ends = [
        index
        for index, by_candidate in enumerate(scores)
        if any(score.bad_ends for score in by_candidate[0])
    ]
    if len(with_bad_ends) < 2:
        has = (
            "none of the recordings has a bad end"
            if not with_bad_ends
            else "only one recording has any"
        )
        return CrossValidation(
            why_not=f"{has}, and it takes two: one to choose by and one to judge by. How well the "
            "choice will do on another test cannot be said."
        )
    choices, left_out = [], []
    for index, held_out in enumerate(scores):
        training = [
            by_candidate for other_index, by_candidate in enumerate(scores) if other_index != index
        ]
        totals = [
            total_score([score for by_candidate in training for score in by_candidate[candidate]])
            for candidate in range(len(held_out))
        ]
        picked = choose_candidate(totals)
        if picked is None:
            return CrossValidation(
                why_not="without one of the recordings no candidate catches anything, so there is "
                "nothing to judge by it. How well the choice will do on another test cannot be "
                "said."
            )
        choices.append(picked)
        left_out.append(total_score(held_out[picked]))
    return CrossValidation(why_not="", chosen=tuple(choices), left_out=tuple(left_out))


def wilson_interval(hits: int, tries: int) -> tuple[float, float]:
    """Return the 95 % interval of a probability, of which `hits` in `tries` were observed.

    The score interval of E. B. Wilson, "Probable inference, the law of succession, and statistical
    inference", J. Am. Stat. Assoc. 22 (1927), pages 209 to 212 (formula from memory). Tries that
    depend on each other, as bad ends of one test may, make it too narrow.
    """
    if tries == 0:
        return (0.0, 1.0)
    share, extra = hits / tries, _NORMAL_95 * _NORMAL_95 / tries
    centre = (share + extra / 2) / (1 + extra)
    half = _NORMAL_95 * math.sqrt(share * (1 - share) / tries + extra / (4 * tries)) / (1 + extra)
    return (centre - half if hits else 0.0, centre + half if hits < tries else 1.0)
