"""Chattering and standing alerts, named (ISA-18.2 / IEC 62682, conventional defaults)."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from logger.limits.lifecycle import Alert
from logger.limits.nuisance import (
    CHATTER_WINDOW_NS,
    STANDING_ALERT_NS,
    chattering_spans,
    describe_nuisance,
)

S = 1_000_000_000


def _alert(number: int, at_s: float, *, limit: str = "hot", returned: bool = True) -> Alert:
    raised_ns = round(at_s * S)
    return Alert(
        number=number,
        limit=limit,
        joint="a",
        severity="warning",
        channel="",
        raised_ns=raised_ns,
        returned_ns=raised_ns + S if returned else None,
    )


def test_the_worked_example():
    """Raised at 0, 25, 59, 130, 185, 191, 400, 461 s: one window, 0 to 59 s (computed outside)."""
    raised = [at * S for at in (0, 25, 59, 130, 185, 191, 400, 461)]
    assert chattering_spans(raised) == [(0, 59 * S)]


@given(steps=st.lists(st.integers(0, 70), max_size=30))
def test_a_window_is_where_a_person_would_see_it(steps: list[int]):
    """Every raise lies in a window just when some three within a minute hold it."""
    raised = [sum(steps[: place + 1]) * S for place in range(len(steps))]
    spans = chattering_spans(raised)
    for place, at in enumerate(raised):
        held = any(
            first <= place <= first + 2 and raised[first + 2] - raised[first] <= CHATTER_WINDOW_NS
            for first in range(max(place - 2, 0), min(place, len(raised) - 3) + 1)
        )
        assert held == any(start <= at <= end for start, end in spans) or at in raised[:place]
    assert all(one[1] < other[0] for one, other in itertools.pairwise(spans))


def test_what_is_said_of_an_alert():
    """Others do not count; two raises are no chatter; a day is a day."""
    alerts = [_alert(1, 0), _alert(2, 20), _alert(3, 50), _alert(4, 30, limit="other")]
    assert (
        describe_nuisance(alerts[2], alerts, 60 * S)
        == "chattering, 3 times in 50 s: look at the limit"
    )
    assert describe_nuisance(alerts[2], alerts[1:], 60 * S) == ""
    assert describe_nuisance(alerts[3], alerts, 60 * S) == ""
    standing = _alert(5, 0, returned=False)
    assert describe_nuisance(standing, [standing], STANDING_ALERT_NS) == ""
    assert describe_nuisance(standing, [standing], STANDING_ALERT_NS + 1).startswith(
        "standing for more than a day"
    )
