"""Several findings are one value: what they share does not shrink, what scatters is not hidden."""

import numpy as np
import pytest

from replay.sheet.combining import combine_findings
from tests.support.sheet_findings import sourced


def test_a_single_finding_is_itself():
    """Its own interval, however that was made."""
    one = sourced(10.0, arm=0.2)
    found = combine_findings([one])
    assert (found.value, found.low, found.high) == (
        one.quantity.value,
        one.quantity.low,
        one.quantity.high,
    )
    assert (found.spread, found.findings) == (1.0, (one,))


def test_own_parts_shrink_and_shared_ones_do_not():
    """Four of 0.2 make 0.1; one arm stays as it is."""
    found = combine_findings(
        [sourced(10.0, own=0.2, arm=0.3, freedom=None, number=n) for n in range(4)]
    )
    assert found.standard_uncertainty == pytest.approx(np.hypot(0.1, 0.3))
    assert found.degrees_of_freedom is None
    apart = combine_findings([sourced(10.0, own=0.2, freedom=None, number=n) for n in range(4)])
    assert apart.standard_uncertainty == pytest.approx(0.1)


def test_the_surer_weighs_more():
    """By the square of what is its own; an arm that both share weighs on neither."""
    found = combine_findings([sourced(10.0, own=1.0), sourced(11.0, own=2.0, number=1)])
    assert found.value == pytest.approx((10.0 + 11.0 / 4) / 1.25)
    assert found.spread == 1.0
    same = combine_findings(
        [sourced(10.0, own=1.0, arm=9.0), sourced(11.0, own=2.0, arm=9.0, number=1)]
    )
    assert same.value == pytest.approx(found.value)


def test_findings_that_contradict_each_other_are_widened():
    """By the scatter, which is known as well as so many findings tell it."""
    found = combine_findings(
        [sourced(value, own=0.01, number=n) for n, value in enumerate((9.0, 11.0))]
    )
    assert found.spread == pytest.approx(1.0 / 0.01 * np.sqrt(2), rel=1e-6)
    assert found.standard_uncertainty == pytest.approx(1.0)
    assert found.degrees_of_freedom == pytest.approx(1.0)
    assert found.high - found.value == pytest.approx(12.706, abs=1e-3)


def test_findings_without_uncertainty_are_taken_as_they_come():
    """Read off to the digit, with nothing stated: their scatter is all there is."""
    found = combine_findings(
        [sourced(value, own=0.0, number=n) for n, value in enumerate((1.0, 1.0))]
    )
    assert (found.value, found.low) == pytest.approx((1.0, 1.0), abs=1e-6)
    apart = combine_findings(
        [sourced(value, own=0.0, number=n) for n, value in enumerate((1.0, 1.2))]
    )
    assert apart.low < 1.0
    assert apart.high > 1.2


def test_intervals_cover_with_a_shared_arm():
    """400 specimens of three findings each, five readings a finding, the arm drawn anew."""
    dice = np.random.default_rng(5)
    held = 0
    for _ in range(400):
        arm = dice.normal(0.0, 0.3)
        findings = []
        for number in range(3):
            readings = dice.normal(10.0 + arm, 0.5, 5)
            own = float(readings.std(ddof=1) / np.sqrt(5))
            findings.append(sourced(float(readings.mean()), own=own, arm=0.3, number=number))
        found = combine_findings(findings)
        held += found.low <= 10.0 <= found.high
    assert 0.92 <= held / 400 <= 0.985
