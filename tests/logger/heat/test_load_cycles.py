"""Which loads repeat themselves: cycles that vary, and stretches at random that are none."""

import math

import numpy as np
import pytest

from logger.heat.load_cycles import _log_chance_of_lengths, find_load_cycles
from logger.heat.load_law import draw_loads, find_load_law
from tests.support.forecast_study import uneven_cycles


def _uneven_load(seed: int, cycles: int, uneven: float) -> np.ndarray:
    """Return squares: half an hour of rest, so many cycles of 8 to 60 s, and a part of one."""
    dice = np.random.default_rng(seed)
    on_s, off_s = dice.integers(4, 30, 2)
    parts = [(on_s, 12.0), (off_s, dice.uniform(1.0, 4.0))]
    current = uneven_cycles(parts, 70 * (cycles + 1), uneven, dice)
    begins = np.flatnonzero(np.diff(current > 7.0, prepend=False) & (current > 7.0))
    end = int(dice.uniform(begins[cycles], begins[cycles + 1]))
    return np.concatenate([np.full(1800, 0.5), current[:end]]) ** 2


@pytest.mark.parametrize(
    ("uneven", "cycles", "least"), [(0.05, 3, 24), (0.1, 3, 10), (0.1, 4, 24), (0.1, 10, 26)]
)
def test_cycles_that_vary_are_found_soon(uneven, cycles, least):
    """Of 30 loads whose halves vary in length and current."""
    found = 0
    for seed in range(600, 630):
        load = _uneven_load(seed, cycles, uneven)
        law = find_load_cycles(load)
        if law is None:
            continue
        found += 1
        assert 1770 <= law.starts[0] < law.starts[-1] <= len(load), "rest is no part of them"
        assert np.all((law.resumes >= law.starts[0]) & (law.resumes < law.starts[-1]))
    assert found >= least, f"{found} of 30"


def test_stretches_at_random_are_no_cycle_that_varies():
    """Two levels in turn, their lengths exponential: three may be alike, hardly ever."""
    taken = 0
    for seed in range(4):
        dice = np.random.default_rng(seed)
        lasts = 1 + dice.exponential(20.0, 200).astype(int)
        load = np.repeat(np.tile([144.0, 4.0], 100), lasts)
        taken += sum(find_load_cycles(load[:end]) is not None for end in range(300, 3600, 40))
    assert taken <= 2, f"{taken} of 332"


def _drawn_load(seed: int, mean_s: float, *, two_levels: bool) -> np.ndarray:
    """Return an hour of squares: two levels in turn at random, or holds of nearly one length."""
    dice, out = np.random.default_rng(seed), np.empty(0)
    while len(out) < 3600:
        if two_levels:
            for level in (12.0, 2.0):
                out = np.append(out, np.full(1 + int(dice.exponential(mean_s)), level))
        else:
            length = max(1, int(dice.normal(mean_s, 0.3 * mean_s)))
            out = np.append(out, np.full(length, dice.uniform(0.0, 14.0)))
    return out[:3600] ** 2


@pytest.mark.parametrize(
    ("seed", "second"), [(8020, 3435), (8022, 2995), (8028, 2170), (8035, 3050)]
)
def test_holds_of_nearly_one_length_have_to_be_alike_in_load_too(seed, second):
    """Each hold has a load of its own: by length alone these were taken for cycles."""
    load = _drawn_load(seed, 10.0, two_levels=False)
    assert find_load_cycles(load[:second]) is None


@pytest.mark.parametrize(("seed", "second"), [(8006, 2775), (8017, 300), (8019, 1510), (8023, 355)])
def test_two_cycles_that_are_nearly_alike_are_none_yet(seed, second):
    """Of a load between two levels at random, where a window held little more than two."""
    load = _drawn_load(seed, 20.0, two_levels=True)
    assert find_load_cycles(load[:second]) is None


@pytest.mark.parametrize(("count", "scatter"), [(3, 0.3), (4, 0.3)])
def test_the_chance_of_being_alike_is_that_of_lengths_at_random(count, scatter):
    """Against a count of exponential lengths; two halves are the square of one."""
    dice = np.random.default_rng(1)
    drawn = np.log(dice.exponential(1.0, (300_000, count))).std(axis=1, ddof=1)
    counted = float((drawn < scatter).mean())
    logs = np.linspace(-1.0, 1.0, count)
    lengths = 1e4 * np.exp(scatter * logs / logs.std(ddof=1))
    chance = math.exp(_log_chance_of_lengths(np.stack([lengths, lengths], axis=1)) / 2.0)
    assert chance == pytest.approx(counted, rel=0.15)


def test_what_comes_varies_as_the_cycles_did():
    """Mean, length of cycles, and how far they are out of step after half an hour."""
    dice = np.random.default_rng(5)
    current = uneven_cycles([(12, 12.0), (15, 2.0)], 1500, 0.08, dice)
    law = find_load_law(current[:, None] ** 2)
    assert law.period_s == pytest.approx(27.0, rel=0.05)
    ahead = draw_loads(law, np.arange(5.0, 3601.0, 5.0), 64, np.random.default_rng(1))
    means = ahead.means[..., 0]
    assert means.mean() == pytest.approx(np.mean(current**2), rel=0.06)
    # Past two cycles all are nearly in step; later any phase is as likely.
    near, late = means[:, :4].std(axis=0).mean(), means[:, 400:].std(axis=0).mean()
    assert near < 0.5 * late


def test_a_cycle_that_ended_is_replayed_no_more():
    """A pause longer than any is another load."""
    current = uneven_cycles([(12, 12.0), (15, 2.0)], 600, 0.1, np.random.default_rng(5))
    pause = np.full(60, 2.0)
    assert find_load_cycles(np.concatenate([current[:-20], pause[:5]]) ** 2) is not None
    assert find_load_cycles(np.concatenate([current, pause]) ** 2) is None
