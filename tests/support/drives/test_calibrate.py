"""Shares are counted by rank, and rise."""

import pytest

from tests.support.drives.calibrate import LEAST_CLAIMS, fit_steps
from tests.support.drives.judge import ClaimOutcome


def _claims(probability: float, count: int, right: int) -> list[ClaimOutcome]:
    return [
        ClaimOutcome(what="place", claimed="speed", probability=probability, right=place < right,
                     about="speed")
        for place in range(count)
    ]  # fmt: skip


def test_ranks_that_contradict_their_order_are_pooled():
    """Of three ranks the middle one is right more often than the highest."""
    many = 4 * LEAST_CLAIMS
    steps = fit_steps(
        [*_claims(0.4, many, many // 2), *_claims(0.7, many, many), *_claims(0.9, many, many - 4)]
    )
    assert [least for least, _ in steps] == [0.4, 0.7]
    assert [right for _, right in steps] == pytest.approx([0.5, 0.95], abs=0.02)


def test_hardly_ever_wrong_is_surer_than_the_bound():
    """A rank with one wrong claim in a hundred stays at the bound, one with none passes it."""
    assert fit_steps(_claims(0.9, 90, 88)) == ((0.9, 0.95),)
    assert fit_steps(_claims(0.9, 200, 200))[0][1] > 0.98
