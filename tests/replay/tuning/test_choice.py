"""The choice: the rule, the best trade-offs, and judging on what was not used to choose."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.tuning.choice import (
    ScoreTotal,
    choose_candidate,
    leave_one_out,
    pareto_front,
    total_score,
    wilson_interval,
)
from replay.tuning.score import Score


def _score(*lead_s: float, false: int = 0, hours: float = 1.0, chatters: int = 0) -> Score:
    return Score(
        lead_s=lead_s,
        alerts=false + len(lead_s),
        false_alerts=false,
        recorded_s=3600.0 * hours,
        chatters=chatters,
        lost_share=math.nan,
    )


MISS = math.nan
TOTALS = st.lists(
    st.builds(
        lambda leads, false, chatters: total_score(
            [_score(*leads, false=false, chatters=chatters)]
        ),
        st.lists(st.sampled_from([MISS, 0.0, 10.0, 60.0]), min_size=3, max_size=3),
        st.integers(0, 4),
        st.integers(0, 2),
    ),
    min_size=1,
    max_size=12,
)


def _beats(one: ScoreTotal, other: ScoreTotal) -> bool:
    """Return whether one is as good in all three, and better in one."""
    first = (one.caught, one.median_lead_s, -one.false_per_h)
    second = (other.caught, other.median_lead_s, -other.false_per_h)
    return all(a >= b for a, b in zip(first, second, strict=True)) and first != second


@given(TOTALS)
def test_the_front_is_what_nothing_beats(totals: list[ScoreTotal]):
    """Every catching candidate is on the front, beaten by one of it, or a twin of one of it."""
    found = pareto_front(totals)
    for place, one in enumerate(totals):
        if not one.caught:
            assert place not in found
            continue
        beaten = any(_beats(other, one) for other in totals if other.caught)
        twin = any(
            (totals[other].caught, totals[other].median_lead_s, totals[other].false_per_h)
            == (one.caught, one.median_lead_s, one.false_per_h)
            for other in found
        )
        assert (place in found) or beaten or twin
        if place in found:
            assert not beaten


@given(TOTALS)
def test_the_choice_is_on_the_front(totals: list[ScoreTotal]):
    """It catches the most, with the fewest false alerts among these; none where none catches."""
    picked = choose_candidate(totals)
    if picked is None:
        assert not any(one.caught for one in totals)
        return
    best = max(one.caught for one in totals)
    assert totals[picked].caught == best
    assert totals[picked].false_per_h == min(o.false_per_h for o in totals if o.caught == best)
    assert picked in pareto_front(totals)


def test_equals_are_told_apart_as_the_rule_says():
    """Lead, worst lead, chattering, then the order of the sweep."""
    a = total_score([_score(50.0, 70.0)])
    b = total_score([_score(10.0, 110.0)])
    assert choose_candidate([b, a]) == 1
    c = total_score([_score(50.0, 70.0, chatters=1)])
    assert choose_candidate([c, a, a]) == 1


def test_the_left_out_recording_has_no_say():
    """Each recording is scored with what the others chose, not with its own best."""
    early, late = 0, 1
    scores = [
        # candidate `early` catches all but cries wolf on the third; `late` misses the first.
        [[_score(100.0)], [_score(MISS)]],
        [[_score(100.0)], [_score(5.0)]],
        [[_score(100.0, false=6)], [_score(5.0)]],
    ]
    found = leave_one_out(scores)
    # Without the first both catch the same, and `late` has no false alerts.
    assert found.chosen == (late, early, early)
    assert (found.caught, found.bad_ends) == (2, 3)
    assert found.false_per_h == (0.0, 2.0, 6.0)
    assert found.lead_s == (100.0, 100.0, 100.0)


def test_too_few_to_judge_by_is_said():
    """One recording with a bad end, or none, judges nothing."""
    assert "only one recording" in leave_one_out([[[_score(1.0)]], [[_score()]]]).why_not
    assert "none of the recordings" in leave_one_out([[[_score()]], [[_score()]]]).why_not
    assert "nothing to judge" in leave_one_out([[[_score(MISS)]], [[_score(1.0)]]]).why_not


@pytest.mark.parametrize(
    ("hits", "tries", "low", "high"),
    [
        # Solved by hand from |p - share| = z sqrt(p (1 - p) / n), whose roots the interval is.
        (0, 10, 0.0, 0.27753),
        (10, 10, 0.72247, 1.0),
        (5, 10, 0.23659, 0.76341),
        (0, 0, 0.0, 1.0),
    ],
)
def test_wilson(hits: int, tries: int, low: float, high: float):
    """The interval is where the share seen lies 1.96 standard deviations from the true one."""
    found = wilson_interval(hits, tries)
    assert found == pytest.approx((low, high), abs=2e-5)
    for end in found:
        if tries and 0 < end < 1:
            away = abs(hits / tries - end) / math.sqrt(end * (1 - end) / tries)
            assert away == pytest.approx(1.959964, abs=1e-5)
