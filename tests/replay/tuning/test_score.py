"""Scores: against plain loops over many random days, and by hand where a rule has an edge."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from replay.evaluation.alert_arrays import STANDING_NS, AlertArrays
from replay.tuning.score import ScoringTerms, score_alerts

S = 1_000_000_000


def _alerts(*spans: tuple[float, float | None]) -> AlertArrays:
    raised = np.array([round(begin * S) for begin, _ in spans], np.int64)
    returned = [STANDING_NS if end is None else round(end * S) for _, end in spans]
    return AlertArrays(onset_ns=raised, raised_ns=raised, returned_ns=np.array(returned, np.int64))


def _terms(*bad_ends: tuple[float, float], **more: float) -> ScoringTerms:
    return ScoringTerms(
        start_ns=0,
        end_ns=7200 * S,
        recorded_s=7200.0,
        bad_ends=tuple((round(a * S), round(b * S)) for a, b in bad_ends),
        **more,
    )


def _by_loops(spans: list, terms: ScoringTerms) -> tuple[list[float], int]:
    """Return leads and false alerts, second by second as a person would."""
    leads, excused = [], set()
    opened = terms.start_ns
    for onset, over in terms.bad_ends:
        opens = opened
        if terms.within_s is not None and onset - terms.within_s * S > opens:
            opens = onset - round(terms.within_s * S)
        best = None
        for index, (raised, returned) in enumerate(spans):
            if opens <= raised < over or raised == onset:
                excused.add(index)
            if opens <= raised <= onset:
                moment = raised
            elif raised < opens and returned > onset:
                moment = opens
            else:
                continue
            if moment <= onset - terms.min_lead_s * S and (best is None or moment < best):
                best = moment
        leads.append(math.nan if best is None else (onset - best) / S)
        opened = over
    return leads, len(spans) - len(excused)


@given(
    edges=st.lists(st.integers(0, 7199), max_size=24, unique=True).map(sorted),
    ends=st.lists(st.integers(0, 7199), max_size=8, unique=True).map(sorted),
    within=st.none() | st.integers(1, 4000),
    least=st.sampled_from([0, 0, 10, 500]),
)
def test_as_plain_loops_have_it(edges: list, ends: list, within: int | None, least: int):
    """Leads and false alerts are those of a loop over alerts and bad ends."""
    spans = [(a * S, b * S) for a, b in zip(edges[::2], edges[1::2], strict=False)]
    if len(edges) % 2:
        spans.append((edges[-1] * S, STANDING_NS))
    bad = tuple((a * S, b * S) for a, b in zip(ends[::2], ends[1::2], strict=False))
    terms = ScoringTerms(
        start_ns=0, end_ns=7200 * S, recorded_s=7200.0, bad_ends=bad, within_s=within,
        min_lead_s=least,
    )  # fmt: skip
    alerts = AlertArrays(
        onset_ns=np.array([a for a, _ in spans], np.int64),
        raised_ns=np.array([a for a, _ in spans], np.int64),
        returned_ns=np.array([b for _, b in spans], np.int64),
    )
    found = score_alerts([(alerts, False)], terms)
    leads, false = _by_loops(spans, terms)
    assert np.allclose(found.lead_s, leads, equal_nan=True)
    assert found.false_alerts == false
    assert found.caught == sum(not math.isnan(lead) for lead in leads)


@pytest.mark.parametrize(
    ("spans", "more", "lead_s", "false"),
    [
        ([(900, 950)], {}, 100.0, 0),
        ([(100, 120), (900, None)], {}, 900.0, 0),
        ([(100, 120), (900, None)], {"within_s": 200.0}, 100.0, 1),
        # Stood from before the window to the onset: caught, and yet raised long before for nothing.
        ([(100, None)], {"within_s": 200.0}, 200.0, 1),
        # Stood into the window and was over before the onset: nobody looked at it any more.
        ([(100, 850)], {"within_s": 200.0}, math.nan, 1),
        ([(1000, None)], {}, 0.0, 0),
        ([(1001, None)], {}, math.nan, 0),
        ([(995, None)], {"min_lead_s": 10.0}, math.nan, 0),
        ([(1200, 1300)], {}, math.nan, 1),
        ([], {}, math.nan, 0),
    ],
)
def test_one_bad_end(spans: list, more: dict, lead_s: float, false: int):
    """A bad end from 1000 s to 1100 s: caught with that lead or missed, so many false alerts."""
    found = score_alerts([(_alerts(*spans), False)], _terms((1000, 1100), **more))
    assert found.lead_s == pytest.approx((lead_s,), nan_ok=True)
    assert found.false_alerts == false
    assert found.false_per_h == false / 2
    assert math.isnan(found.lost_share)


def test_what_a_trip_would_have_cost():
    """From the first trip of any limit to the end; a trip that never came costs nothing."""
    terms = _terms()
    limits = [(_alerts((100, 200)), False), (_alerts((5400, 5500), (6000, 6100)), True)]
    assert score_alerts(limits, terms).lost_share == pytest.approx(0.25)
    assert score_alerts([(_alerts(), True)], terms).lost_share == 0.0


def test_chattering_is_counted_by_limit():
    """Three raises within a minute of one limit are one stretch; of two limits together none."""
    thrice = _alerts((10, 11), (20, 21), (30, 31))
    assert score_alerts([(thrice, False)], _terms()).chatters == 1
    split = [(_alerts((10, 11), (20, 21)), False), (_alerts((30, 31)), False)]
    assert score_alerts(split, _terms()).chatters == 0
