"""Rainflow cycles: the standard's own example, its rule written as a plain loop, any chunking.

Check values (ASTM E1049-85, 5.4.4, figure 6): read in six independent transcriptions in open test
suites, two of which name the figure; the standard itself was not opened.
"""

import itertools
from collections import Counter

import numpy as np
import pytest

from replay.duty.rainflow import RainflowCounter, count_cycles, relative_damage

STANDARD = [-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]


def _by_the_rule(values):
    """Return (range, mean) -> count by the rule of 5.4.4, word by word."""
    values = [one for at, one in enumerate(values) if at == 0 or one != values[at - 1]]
    turns = [values[0]]
    for before, here, after in zip(values, values[1:], values[2:], strict=False):
        if (here - before) * (after - here) < 0:
            turns.append(here)
    turns.append(values[-1])
    found, points = Counter(), []
    for point in turns:
        points.append(point)
        while len(points) >= 3:
            x, y = abs(points[-1] - points[-2]), abs(points[-2] - points[-3])
            if x < y:
                break
            middle = (points[-2] + points[-3]) / 2
            if len(points) == 3:  # Y holds the starting point
                found[y, middle] += 0.5
                del points[0]
            else:
                found[y, middle] += 1.0
                del points[-3:-1]
    for first, second in itertools.pairwise(points):
        found[abs(second - first), (first + second) / 2] += 0.5
    return found


def _counted(values):
    found = count_cycles(np.array(values))
    out = Counter()
    for size, mean, count in zip(found.size, found.mean, found.count, strict=True):
        out[float(size), float(mean)] += float(count)
    return out


def test_the_example_of_the_standard():
    """Ranges, means and counts as the figure has them, and Miner's sum of them."""
    assert _counted(STANDARD) == {
        (3.0, -0.5): 0.5, (4.0, -1.0): 0.5, (4.0, 1.0): 1.0, (8.0, 1.0): 0.5,
        (9.0, 0.5): 0.5, (8.0, 0.0): 0.5, (6.0, 1.0): 0.5,
    }  # fmt: skip
    found = count_cycles(np.array(STANDARD))
    # N = A range^-m with A = 1e6, m = 3 and A = 1e12, m = 5: computed outside this project.
    assert relative_damage(found.size, found.count, 3.0) / 1e6 == pytest.approx(0.001094)
    assert relative_damage(found.size, found.count, 5.0) / 1e12 == pytest.approx(6.7838e-8)


@pytest.mark.parametrize(
    ("values", "ranges", "slope", "damage"),
    [
        (
            [0, 10, -5, 8, -8, 12, -3, 6, 0],
            {6: 0.5, 9: 0.5, 10: 0.5, 13: 1, 15: 0.5, 18: 0.5, 20: 0.5},
            3.0,
            0.0058865 * 2e6,
        ),
        ([20, 80, 35, 95, 25, 60, 40, 110, 20], {20: 1, 45: 1, 70: 1, 90: 1}, 2.5, 132.5 * 1e3),
    ],
)
def test_further_series(values, ranges, slope, damage):
    """Computed outside this project; the second one's damage by N = 5e9 range^-2.5."""
    found = count_cycles(np.array(values, float))
    counted = Counter()
    for size, count in zip(found.size, found.count, strict=True):
        counted[int(size)] += float(count)
    assert counted == ranges
    expected = damage if slope == 3.0 else 2.66425312e-5 * 5e9
    assert relative_damage(found.size, found.count, slope) == pytest.approx(expected)


@pytest.mark.parametrize("seed", range(30))
def test_any_trace_has_the_cycles_of_the_rule(seed):
    """Coarse steps (many equal ranges), noise, growing and shrinking courses, constants."""
    dice = np.random.default_rng(seed)
    values = [
        dice.integers(-4, 5, 400).astype(float),
        dice.normal(0, 1, 300),
        np.linspace(0, 9, 200) * np.cos(np.arange(200.0)),
        np.linspace(9, 0, 201) * np.cos(np.arange(201.0)),
        np.cumsum(dice.normal(0, 1, 500)),
    ][seed % 5]
    rule, found = _by_the_rule(values.tolist()), _counted(values)
    by_size, own = Counter(), Counter()
    for (size, _), count in rule.items():
        by_size[round(size, 9)] += count
    for (size, _), count in found.items():
        own[round(size, 9)] += count
    assert by_size == own


@pytest.mark.parametrize("cuts", [1, 7, 60])
def test_any_chunking_has_the_same_spectrum(cuts):
    """Fed whole or in pieces: the same counts, largest range and damage."""
    dice = np.random.default_rng(5)
    values = np.cumsum(dice.normal(0, 1, 5000))

    def spectrum(parts):
        counter = RainflowCounter(values.min(), values.max(), slope=5.0, least=0.5)
        for part in parts:
            counter.feed(part)
        return counter.spectrum()

    whole = spectrum([values])
    cut = spectrum(np.split(values, np.sort(dice.integers(0, 5000, cuts))))
    assert np.array_equal(cut.count, whole.count)
    assert cut.largest == whole.largest == pytest.approx(np.ptp(values))
    assert cut.equivalent == pytest.approx(whole.equivalent)
    found = count_cycles(values)
    kept = found.size >= 0.5
    assert whole.count.sum() == pytest.approx(found.count[kept].sum())


def test_a_trace_that_stands_still_has_no_cycles():
    """One value, or none."""
    for values in (np.empty(0), np.ones(1), np.ones(5)):
        assert len(count_cycles(values).size) == 0
