"""Forecasts against joints whose truth is known: a held load, whole cycles, a load at random."""

import dataclasses
import math

import numpy as np
import pytest

from logger.heat.forecast import Futures, Passage, draw_futures, upper_degC
from logger.heat.load_law import LoadLawKind, draw_loads, find_load_law
from logger.heat.outcomes import Outcomes
from logger.joint.thermal.thermal_duty import time_to_temperature_s
from logger.joint.thermal.thermal_load import Node
from tests.support.observed_joint import follow, observed_joint, random_duty


def _last(run):
    *_, (_, track) = follow(run)
    return track


def test_a_held_load_is_that_of_the_closed_form():
    """Of a model that is known, the median is the time that the equations give."""
    load = np.concatenate([np.full(600, 2.0), np.full(120, 10.0)])
    run = observed_joint(3, load, spread=1e-4, resolution_K=0.1)
    track = _last(run)
    housing = draw_futures(run.fitted, track.state, track.history)[1]
    now = track.state.mean_degC[0]
    level = float(now[1]) + 12.0
    exact_s = time_to_temperature_s(
        run.fitted.joint,
        node=Node.HOUSING,
        limit_degC=level,
        mean_square_A2=100.0,
        start_degC=now[:2],
        ambient_degC=float(now[2]),
    )
    passage = housing.passage(level)
    assert housing.law.kind is LoadLawKind.HELD
    assert passage.median_s == pytest.approx(exact_s, rel=0.05)
    assert passage.soonest_s < exact_s < passage.latest_s
    assert passage.probability == 1.0


def test_it_settles_where_the_load_leads_and_no_higher():
    """Above that, "not within the hour" is the answer; a joint that cools reaches what it may."""
    run = observed_joint(4, np.concatenate([np.full(2400, 9.0), np.full(60, 0.0)]))
    track = _last(run)
    housing = draw_futures(run.fitted, track.state, track.history)[1]
    low, middle, high = housing.settled_degC
    assert low <= middle <= high
    assert middle < track.state.mean_degC[0, 1] - 5.0
    never = housing.passage(float(track.state.mean_degC[0, 1]) + 8.0)
    assert (never.probability, never.median_s) == (0.0, math.inf)
    down = housing.passage_down(middle + 0.5 * (float(track.state.mean_degC[0, 1]) - middle))
    assert 60.0 < down.median_s < 3600.0


def test_whole_cycles_are_replayed():
    """A cyclic load below its level: the time to it within 15 %, its peaks included."""
    cycle = np.concatenate([np.full(14, 12.0), np.full(19, 2.5)])
    load = np.tile(cycle, 150)
    run = observed_joint(8, load, spread=0.02)
    node = run.truth_degC[1:, 1]
    at = 1200
    track = next(track for second, track in follow(run) if second == at)
    law = find_load_law(track.history)
    assert law.kind is LoadLawKind.CYCLIC
    assert law.period_s == pytest.approx(33.0, abs=0.2)
    level = node[at] + 0.6 * (node.max() - node[at])
    passage = draw_futures(run.fitted, track.state, track.history)[1].passage(level)
    reached_s = int(np.flatnonzero(node >= level)[0]) - at
    assert passage.median_s == pytest.approx(reached_s, rel=0.15)


@pytest.mark.parametrize("cycles", [3, 5, 12])
def test_only_cycles_that_are_alike_are_replayed(cycles):
    """Half an hour of rest before them is no part of what comes, however few they are."""
    cycle = np.concatenate([np.full(12, 144.0), np.full(15, 4.0)])
    load = np.concatenate([np.full(1800, 0.25), np.tile(cycle, cycles)])
    law = find_load_law(load[:, None])
    assert law.kind is LoadLawKind.CYCLIC
    assert law.period_s == pytest.approx(27.0, abs=0.2)
    assert len(law.starts) <= cycles
    assert law.mean[0] == pytest.approx(cycle.mean(), rel=0.02)


def test_a_winding_reaches_a_level_at_the_peaks_between_two_steps():
    """Of cycles of 7 s in steps of 5: the highest of the truth in each step, within a tenth."""
    load = np.tile(np.concatenate([np.full(3, 14.0), np.full(4, 0.0)]), 120)
    run = observed_joint(8, np.concatenate([load, load]), spread=1e-4, resolution_K=0.1)
    at = len(load)
    track = next(track for second, track in follow(run) if second == at)
    winding = draw_futures(run.fitted, track.state, track.history)[0]
    truth = run.truth_degC[at : at + 301, 0]
    peaks = truth[1:].reshape(-1, 5).max(axis=1) - truth[5::5]
    assert winding.law.kind is LoadLawKind.CYCLIC
    told = np.median(winding.between_K[:, 1:61], axis=0)
    edges = np.median(winding.degC[:, 1:61], axis=0)
    told_peaks = np.maximum(edges + told, edges) - edges
    assert told_peaks.max() == pytest.approx(peaks.max(), rel=0.3)
    assert told_peaks.mean() == pytest.approx(peaks.mean(), rel=0.4)


def test_the_band_leaves_as_much_out_at_either_end():
    """Of 64 futures the third and the third but one: a 65th is in between 59 times of 65."""
    edges = np.arange(0.0, 101.0)
    course = edges[None, :] - np.arange(1.0, 65.0)[:, None]
    law = find_load_law(np.ones((100, 1)))
    futures = Futures(
        law=law, edges_s=edges, degC=course, between_K=np.zeros(101), settled_degC=(0.0, 0.0, 0.0)
    )
    passage = futures.passage(0.0)
    assert (passage.soonest_s, passage.latest_s) == (3.0, 62.0)
    assert passage.median_s in (32.0, 33.0)


def test_holds_at_random_are_no_cycle():
    """Of two levels, or of nearly equal length: some are alike by chance, at some instants."""
    taken = 0
    for seed in (4, 13, 15):
        dice = np.random.default_rng(seed)
        lasts = 1 + dice.exponential(20.0, 400).astype(int)
        two = np.repeat(np.tile([144.0, 4.0], 200), lasts)
        dice = np.random.default_rng(seed)
        alike = np.empty(0)
        while len(alike) < 3600:
            alike = np.append(
                alike, np.full(max(1, int(dice.normal(10.0, 3.0))), dice.uniform(0, 14))
            )
        for end in range(300, 3600, 60):
            taken += find_load_law(two[:end, None]).kind is LoadLawKind.CYCLIC
            taken += find_load_law(alike[:end, None] ** 2).kind is LoadLawKind.CYCLIC
    assert taken == 0, f"{taken} of 330"


def test_futures_of_a_load_at_random_vary_as_the_load_does():
    """Mean and spread of five minutes to come are those of the past."""
    load = random_duty(5, 3600, 20.0) ** 2
    law = find_load_law(load[:, None])
    assert law.kind is LoadLawKind.HOLDS
    edges = np.arange(10.0, 3601.0, 10.0)
    drawn = draw_loads(law, edges, 256, np.random.default_rng(1)).means[..., 0]
    long = random_duty(6, 3600 * 40, 20.0).reshape(-1, 300) ** 2
    assert drawn.mean() == pytest.approx(load.mean(), rel=0.08)
    assert drawn[:, 30:60].mean(axis=1).std() == pytest.approx(long.mean(axis=1).std(), rel=0.25)


def test_a_stretch_longer_than_all_before_goes_on():
    """Its law has changed: the answer is that of the present load."""
    load = np.concatenate([random_duty(5, 1800, 6.0), np.full(120, 20.0)]) ** 2
    law = find_load_law(load[:, None])
    drawn = draw_loads(law, np.array([10.0, 600.0, 3600.0]), 64, np.random.default_rng(1))
    assert np.allclose(drawn.means, 400.0)


@pytest.mark.parametrize(
    ("age_s", "least", "most"), [(50, 0.0, 0.2), (260, 0.35, 0.65), (640, 0.9, 1.0)]
)
def test_a_stretch_older_than_all_before_may_be_one_more_of_them(age_s, least, most):
    """Of 24 holds, the longest of 250 s: a bit older is even odds, far older is another load."""
    dice = np.random.default_rng(3)
    lasts = np.append(np.minimum(dice.exponential(110.0, 22) + 5.0, 240.0), [250.0, 40.0])
    load = np.repeat(np.tile([25.0, 144.0], 12), lasts.astype(int))
    law = find_load_law(np.append(load, np.full(age_s, 25.0))[:, None])
    assert law.kind is LoadLawKind.HOLDS
    drawn = draw_loads(law, np.array([3600.0]), 1024, np.random.default_rng(1)).means[..., 0]
    assert least <= np.mean(drawn < 25.001) <= most


@pytest.mark.parametrize(("present_A", "least", "most"), [(9.0, 0.95, 1.0), (3.0, 0.0, 0.1)])
def test_a_load_far_beyond_all_before_goes_on(present_A, least, most):  # noqa: N803
    """Ten seconds of it behind an hour at random: another law where none was so high."""
    before = random_duty(5, 3600, 20.0) * 0.25
    law = find_load_law(np.append(before, np.full(10, present_A))[:, None] ** 2)
    assert law.kind is LoadLawKind.HOLDS
    ahead = draw_loads(law, np.array([3600.0]), 256, np.random.default_rng(1)).means[..., 0]
    assert least <= np.mean(ahead > 0.999 * present_A**2) <= most


def test_slow_holds_are_drawn_from_hours_and_quick_ones_from_the_last():
    """An hour of slow ones is two dozen, which tell little of the law."""
    slow = random_duty(1, 4 * 3600, 150.0)[:, None] ** 2
    assert len(find_load_law(slow).history) == len(slow)
    quick = random_duty(1, 4 * 3600, 4.0)[:, None] ** 2
    assert len(find_load_law(quick).history) == 3600


def test_a_load_that_changed_its_kind_is_drawn_from_since_then():
    """Ten minutes of heavy duty behind forty of light: the future is heavy."""
    light, heavy = random_duty(5, 2400, 5.0) * 0.4, random_duty(7, 600, 5.0)
    law = find_load_law(np.concatenate([light, heavy])[:, None] ** 2)
    assert law.mean[0] == pytest.approx((heavy**2).mean(), rel=0.1)


def test_no_future_exceeds_the_bound():
    """What is skipped where a level lies above it could not have been reached."""
    for seed in range(3):
        run = observed_joint(seed, random_duty(seed, 1800, 20.0))
        track = _last(run)
        for node, futures in enumerate(draw_futures(run.fitted, track.state, track.history)):
            upper = upper_degC(run.fitted, track.state, track.history, node, 3600.0)
            assert futures.degC.max() <= upper


def test_forecasts_are_judged_whatever_came_of_them():
    """Within the band, before it, and "not within the hour"; a gap leaves it open."""
    band = Passage(level_degC=70.0, probability=0.9, soonest_s=60.0, median_s=120.0, latest_s=300.0)
    never = dataclasses.replace(band, level_degC=90.0, latest_s=math.inf, soonest_s=math.inf)
    made = Outcomes().with_forecast(1200, "t", [band, never])
    assert made.with_forecast(1210, "t", [band]) == made, "only at clock times"
    reached = made.after_step(1300, {"t": 70.0})
    assert reached.judged == (True,)
    assert made.after_step(1220, {"t": 70.0}).judged == (False,)
    late = made.after_step(4810, {"t": 69.0})
    assert late.judged == (False, True)
    assert made.after_gap().after_step(4810, {}).judged == ()
    many = Outcomes(judged=(True,) * 20, waiting=made.waiting).after_step(1220, {"t": 70.0})
    assert (len(many.judged), many.held) == (20, 19)
