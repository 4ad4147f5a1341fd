"""Unreadable lines are told at once, then once a minute, and to the last one at the end."""

import numpy as np
import pytest

from logger.recording.garbled_report import GarbledReport

S = 1_000_000_000


def test_at_once_then_once_a_minute_then_the_rest():
    """Nothing while there is nothing; each bus by itself."""
    report = GarbledReport(2)
    told = [
        (at_s, report.due_counts(totals, at_s * S))
        for at_s, totals in [
            (0, (0, 0)), (1, (5, 0)), (2, (900, 0)), (60, (5000, 3)), (61, (6000, 9)),
            (62, (6001, 9)), (121, (6001, 9)), (122, (6001, 9)),
        ]
    ]  # fmt: skip
    assert [entry for entry in told if entry[1]] == [
        (1, [(0, 5)]), (60, [(1, 3)]), (61, [(0, 5995)]), (121, [(0, 1), (1, 6)]),
    ]  # fmt: skip
    assert report.due_counts((6001, 9), 123 * S, is_end=True) == []
    assert report.due_counts((6002, 9), 124 * S, is_end=True) == [(0, 1)]


@pytest.mark.parametrize("seed", range(5))
def test_the_counts_add_up(seed: int):
    """Whatever comes whenever: no more than one a minute and bus, and in sum all of them."""
    dice = np.random.default_rng(seed)
    report, total, told = GarbledReport(1), 0, []
    for at_s in range(500):
        total += int(dice.integers(0, 50) * (dice.random() < 0.2))
        told += [(at_s, count) for _, count in report.due_counts([total], at_s * S)]
    told_last = [count for _, count in report.due_counts([total], 500 * S, is_end=True)]
    assert sum(count for _, count in told) + sum(told_last) == total
    assert np.diff([at_s for at_s, _ in told]).min() >= 60
