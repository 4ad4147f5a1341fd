"""Specimens beside each other: shared parts cancel, and many questions do not make a difference."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.findings.uncertainty import chances_of
from replay.sheet.combining import combine_findings
from replay.sheet.comparison import compare_specimens, holm_corrected
from tests.support.depth import examples
from tests.support.sheet_findings import sourced


def test_holm_by_hand():
    """The smallest times m, the next times m - 1, never less than the one before."""
    assert holm_corrected(np.array([0.01, 0.04, 0.03, 0.005])) == pytest.approx(
        [0.03, 0.06, 0.06, 0.02]
    )
    assert holm_corrected(np.array([0.9, 0.8])) == pytest.approx([1.0, 1.0])
    assert holm_corrected(np.array([[0.01, 0.5], [0.5, 0.01]])) == pytest.approx(
        np.array([[0.02, 0.5], [0.5, 0.02]])
    )


def test_a_shared_arm_cancels():
    """As far as both have it; what is their own does not."""
    mine, theirs = (
        combine_findings([sourced(value, own=0.5, arm=1.0, freedom=None, number=n)])
        for n, value in enumerate((10.0, 8.0))
    )
    (found,) = compare_specimens({"A": [mine], "B": [theirs]}).differences
    assert (found.value, found.shared) == (2.0, ("arm",))
    assert found.standard_uncertainty == pytest.approx(0.5 * np.sqrt(2))
    assert found.is_more_than_chance
    alone = combine_findings([sourced(8.0, own=0.5, arm=0.0, freedom=None, number=3)])
    (apart,) = compare_specimens({"A": [mine], "B": [alone]}).differences
    assert apart.standard_uncertainty == pytest.approx(np.sqrt(1.5))
    assert not apart.is_more_than_chance


def test_pages_of_equal_joints_and_a_difference_of_four():
    """Fifteen questions at once: false in 5 of 100 pages; a difference of 4 u found in 85."""
    dice = np.random.default_rng(2)
    pages, questions = 20_000, 15
    freedom = np.full((pages, questions), np.inf)
    own = dice.normal(size=(pages, questions))
    equal = holm_corrected(chances_of(own, np.ones_like(own), freedom))
    assert np.mean((equal < 0.05).any(axis=1)) <= 0.053
    own[:, 0] += 4.0
    assert np.mean(holm_corrected(chances_of(own, np.ones_like(own), freedom))[:, 0] < 0.05) >= 0.85


def test_pages_of_joints_measured_five_times():
    """The uncertainty itself from readings, arm shared: false in at most 5 of 100 pages."""
    dice = np.random.default_rng(8)
    told = 0
    for page in range(60):
        found: dict[str, list] = {"A": [], "B": []}
        for question in range(15):
            arm = dice.normal(0.0, 2.0)
            for values in found.values():
                readings = dice.normal(10.0 + arm, 1.0, 5)
                own = float(readings.std(ddof=1) / np.sqrt(5))
                one = sourced(
                    float(readings.mean()), own=own, arm=2.0, name=f"q{question}", number=page
                )
                values.append(combine_findings([one]))
        comparison = compare_specimens(found)
        assert comparison.questions == 15
        told += any(one.is_more_than_chance for one in comparison.differences)
    assert told <= 8, "3 are expected, more than 8 come in one of 200 such tests"


@settings(max_examples=examples(60))
@given(
    values=st.lists(st.floats(-6.0, 6.0), min_size=1, max_size=8),
    freedom=st.sampled_from([2.0, 5.0, None]),
)
def test_word_and_interval_never_contradict(values: list[float], freedom: float | None):
    """More than chance: the interval does not reach over zero; may be chance: it holds zero."""
    comparison = compare_specimens(
        {
            "A": [
                combine_findings([sourced(value, own=0.7, freedom=freedom, name=f"q{n}")])
                for n, value in enumerate(values)
            ],
            "B": [
                combine_findings([sourced(0.0, own=0.7, freedom=freedom, name=f"q{n}", number=1)])
                for n in range(len(values))
            ],
        }
    )
    for one in comparison.differences:
        assert one.low_all <= one.value <= one.high_all
        holds_zero = one.low_all < 0.0 < one.high_all
        assert holds_zero != one.is_more_than_chance or one.value == 0.0
        assert one.low_all <= max(one.low, 0.0)


def test_unlike_conditions_are_not_compared():
    """Hot against cold says nothing of the joints; units that differ neither."""
    cold, hot = (
        combine_findings([sourced(9.0, name="continuous_torque", conditions={"ambient_degC": t})])
        for t in (25.0, 40.0)
    )
    bare = combine_findings([sourced(9.0, name="continuous_torque")])
    for pair in ({"A": [cold], "B": [hot]}, {"A": [cold], "B": [bare]}):
        comparison = compare_specimens(pair)
        assert comparison.differences == ()
        assert comparison.apart[0].mismatches[0].key == "ambient_degC"
    both = compare_specimens({"A": [cold, hot], "B": [hot]})
    assert [one.name for one in both.differences] == ["continuous_torque"]
    assert compare_specimens({"A": [cold], "B": []}).questions == 0


def test_six_joints_are_fifteen_pairs():
    """All of them are asked at once."""
    six = {f"J{n}": [combine_findings([sourced(float(n), number=n)])] for n in range(6)}
    assert compare_specimens(six).questions == 15
