"""Did a figure change: quiet campaigns are not called, changes are found, dated and sized."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from replay.campaign import cycle_table
from replay.campaign.change_scan import (
    ChangeShape,
    change_candidates,
    evidence_of_looks,
    scan_changes,
)
from replay.campaign.figure_blocks import BLOCK_H, FigureBlocks, block_figures, explained_terms
from replay.campaign.figure_trend import FigureTrend, NotJudged, figure_trends
from replay.campaign.noise_grid import NOISES, needed_evidence
from replay.campaign.white_blocks import white_blocks
from tests.support.campaign_study import (
    Counts,
    Made,
    add_campaign,
    change_course,
    ideal_deviation,
    make_campaign,
)
from tests.support.quiet_evidence import highest_evidence

STEP_H, RAMP_H = 301.0, 260.0


@pytest.fixture(scope="module")
def quiet() -> Made:
    """Give a campaign of thirty days with slow noise of a day, four stops and running-in."""
    return make_campaign(np.random.default_rng(11), slow=0.008, correlation_h=24.0)


def _changed(made: Made, shape: ChangeShape, date_h: float, times: float) -> tuple[float, Made]:
    """Return by how much the first figure changes, and a campaign in which it does."""
    course = change_course(made, shape, date_h)
    size = times * ideal_deviation(made, course)
    values = made.blocks.values.copy()
    values[:, 0] *= np.exp(size * course)
    return size, replace(made, blocks=replace(made.blocks, values=values))


def test_a_quiet_campaign_is_not_called(quiet: Made):
    """In spite of stops, of a warm gear that runs easier, and of running-in; the slope is none."""
    trends = figure_trends(quiet.blocks)
    # Nineteen of twenty intervals hold it.
    assert sum(one.per_day_low <= 0.0 <= one.per_day_high for one in trends) >= 2
    for trend in trends:
        assert not trend.is_changed
        assert trend.evidence < trend.needed
        assert trend.per_kelvin == pytest.approx(-0.012, abs=0.003)


def test_a_step_is_found_dated_and_sized(quiet: Made):
    """In the figure that has it, and in no other."""
    size, made = _changed(quiet, ChangeShape.STEP, STEP_H, 9.0)
    trends = figure_trends(made.blocks)
    assert [one.is_changed for one in trends] == [True, False, False]
    (change,) = trends[0].changes
    assert change.shape is ChangeShape.STEP
    assert change.date_h == pytest.approx(STEP_H, abs=4.0)
    assert change.low_h <= STEP_H <= change.high_h
    assert change.size_low <= np.expm1(size) <= change.size_high
    # Before, after and difference are of one fit: levels of what is drawn, at like temperature.
    assert change.after[0] / change.before[0] == pytest.approx(1.0 + change.size)
    drawn, start_h = trends[0].values, trends[0].start_h
    settled = (start_h > STEP_H - 100.0) & (start_h < STEP_H)
    for band, own in ((change.before, settled), (change.after, start_h > STEP_H + 4.0)):
        assert band[1] < band[0] < band[2]
        assert band[0] == pytest.approx(np.median(drawn[own]), rel=0.01)
    before, after = trends[0].course[0], trends[0].course[-1]
    assert after - before > 0.5 * size


def test_a_ramp_has_an_interval_and_no_date_alone(quiet: Made):
    """Where it begins is known to days."""
    _, made = _changed(quiet, ChangeShape.RAMP, RAMP_H, 14.0)
    (change,) = figure_trends(made.blocks)[0].changes
    assert change.shape is ChangeShape.RAMP
    assert change.low_h < RAMP_H < change.high_h
    assert change.high_h - change.low_h > 24.0


def test_a_ramp_from_the_first_day_is_a_change_and_a_slope(quiet: Made):
    """Both are told of it; a temperature that stands still explains nothing."""
    day = quiet.blocks.start_h / 24.0
    still = np.full_like(quiet.blocks.temperatures, 40.0)
    dice = np.random.default_rng(2)
    wander = 0.002 * dice.normal(size=quiet.blocks.values.shape)
    values = np.exp(0.004 * day[:, None] + wander)
    blocks = replace(quiet.blocks, values=values, temperatures=still)
    for trend in figure_trends(blocks):
        assert ChangeShape.RAMP in {one.shape for one in trend.changes}
        assert trend.per_day == pytest.approx(0.004, rel=0.1)
        assert trend.course[-1] / trend.course[0] == pytest.approx(np.exp(0.12), rel=0.02)


def test_what_would_not_have_been_seen_is_told(quiet: Made):
    """A step of that size is found; one of a sixth of it, in the middle, is not."""
    trend = figure_trends(quiet.blocks)[0]
    course = change_course(quiet, ChangeShape.STEP, STEP_H)[:, None]

    def found(size: float) -> FigureTrend:
        values = quiet.blocks.values * np.exp(size * course)
        return figure_trends(replace(quiet.blocks, values=values))[0]

    assert found(1.2 * trend.unseen).is_changed
    assert not found(trend.unseen / 6.0).is_changed


def test_more_figures_and_slower_noise_need_more_evidence():
    """Chances of a false call are shared among all figures, and over all days after the first."""
    kinds = np.eye(len(NOISES))
    one = needed_evidence(kinds, 1, 30.0)
    assert np.all(np.diff(one) >= 0.0)
    twelve = needed_evidence(kinds, 12, 30.0)
    assert np.ptp(twelve - one) == pytest.approx(0.0, abs=1e-9)
    assert 1.0 < (twelve - one)[0] / np.log(12.0) < 4.0
    assert np.array_equal(needed_evidence(kinds, 1, 7.0), one)
    assert np.all(needed_evidence(kinds, 1, 90.0) > one + 2.0)


@pytest.mark.study
def test_the_table_is_what_quiet_figures_show():
    """Of noise of six hours: some draws of the run that made it."""
    noise = next(one for one in NOISES if (one.correlation_h, one.white_share) == (6.0, 0.3))
    highest, _ = highest_evidence(noise, 150, looks_every=4)
    kinds = np.eye(len(NOISES))[:, [NOISES.index(noise)]]
    called = float(np.mean(highest >= needed_evidence(kinds, 1, 30.0)))
    # One in twenty of daily looks; in some of 150 of fewer looks.
    assert 0.0 < called <= 0.1


def test_a_look_of_many_is_that_of_its_day(quiet: Made):
    """One pass over all days says what the blocks until each of them say alone."""
    blocks = quiet.blocks
    tried = change_candidates(blocks.start_h, runs_in=True)
    values = np.log(blocks.values)
    looks = evidence_of_looks(
        *(values, explained_terms(blocks), white_blocks(blocks.start_h, blocks.counts), tried),
        watched=3,
        days=[9, 30],
    )
    for day, (evidence, needed) in zip((9, 30), looks, strict=True):
        alone = figure_trends(blocks.until(day * 24.0))
        assert evidence.max(axis=1) == pytest.approx([one.evidence for one in alone], rel=1e-4)
        assert needed == pytest.approx([one.needed for one in alone], rel=1e-4)


def test_running_in_of_any_length_is_no_change():
    """Of a tenth, with next to no noise beside it: what the decays leave is no step."""
    dice = np.random.default_rng(8)
    at_h = np.arange(20 * 24.0)
    for lasts_h in (30.0, 45.0, 55.0):
        course = 0.1 * np.exp(-at_h / lasts_h)
        blocks = FigureBlocks(
            names=("friction_A",),
            start_h=at_h,
            counts=np.full(len(at_h), 100.0),
            values=np.exp(course + 0.001 * dice.normal(size=len(at_h)))[:, None],
            temperatures=np.empty((len(at_h), 0)),
            runs_in=True,
        )
        (trend,) = figure_trends(blocks)
        assert not trend.is_changed


def test_a_figure_that_cannot_be_judged_says_why(quiet: Made):
    """Too short, constant or never known: nothing is called, nothing fails."""
    assert {one.not_judged for one in figure_trends(quiet.blocks.until(72.0))} == {
        NotJudged.TOO_SHORT
    }
    values = quiet.blocks.values.copy()
    values[:, 0], values[:, 1] = 4.0, np.nan
    values[200:203, 2] = np.nan
    first, second, third = figure_trends(replace(quiet.blocks, values=values))
    assert (first.not_judged, second.not_judged) == (NotJudged.CONSTANT, NotJudged.UNKNOWN)
    assert third.not_judged is None
    assert len(third.values) == len(values) - 3


def test_a_scan_does_not_depend_on_scale_nor_on_what_is_explained(quiet: Made):
    """Evidence has no unit, and whatever lies in the explained terms is no change."""
    blocks = quiet.blocks.until(240.0)
    explained = explained_terms(blocks)
    tried = change_candidates(blocks.start_h, runs_in=True)
    white = white_blocks(blocks.start_h, blocks.counts)
    plain = scan_changes(blocks.values, explained, white, tried, watched=3)
    other = 7.0 * blocks.values + explained @ np.ones((explained.shape[1], 3))
    moved = scan_changes(other, explained, white, tried, watched=3)
    assert np.allclose(plain.evidence, moved.evidence, rtol=1e-6, atol=1e-6)
    assert np.allclose(7.0 * plain.size, moved.size, rtol=1e-6, atol=1e-8)


def test_blocks_are_means_of_the_hour():
    """Of the figures that are known; a lag goes on through a stop."""
    at_h = np.array([0.1, 0.6, 1.5, 9.2, 9.9])
    figures = [np.array([1.0, 3.0, np.nan, 5.0, 7.0])]
    grid = np.arange(0.0, 12.0, 0.25)
    temperature = np.where(grid < 2.0, 40.0, 20.0)
    blocks = block_figures(["f"], at_h, figures, (grid, temperature), runs_in=False)
    assert blocks.start_h.tolist() == [0.0, BLOCK_H, 9.0]
    assert blocks.counts.tolist() == [2.0, 1.0, 2.0]
    assert blocks.values[[0, 2], 0].tolist() == [2.0, 6.0]
    assert np.isnan(blocks.values[1, 0])
    assert blocks.temperatures[2, 0] == 20.0
    assert 20.0 < blocks.temperatures[2, 1] < 21.0
    assert blocks.temperatures[2, 2] > 25.0


@pytest.mark.study
@pytest.mark.parametrize("correlation_h", [6.0, 24.0])
def test_false_calls_are_rare_and_changes_found(correlation_h: float):
    """Twenty campaigns looked at every third day; `tests.support.campaign_study` takes more."""
    counts = Counts()
    for number in range(20):
        dice = np.random.default_rng((5, number))
        add_campaign(counts, dice, slow=0.008, correlation_h=correlation_h, looks_every=3)
    assert counts.called <= 4
    assert counts.steps_found >= 15
    assert counts.ramps_found >= 16


@pytest.mark.parametrize("precision", [np.float32, np.float64])
def test_millions_of_cycles_take_no_copy_of_themselves(
    monkeypatch: pytest.MonkeyPatch, precision: type
):
    """Block means slice by slice: those of all at once, in far less memory than the figures."""
    monkeypatch.setattr(cycle_table, "_SLICE", 5_000)
    dice = np.random.default_rng(3)
    n = 200_000
    at_h = np.sort(dice.uniform(3.0, 40.0, n))
    at_h = at_h[(at_h < 11.0) | (at_h > 13.5)]
    figures = [dice.normal(8.0, 1.0, len(at_h)).astype(precision) for _ in range(3)]
    figures[1][::7] = np.nan
    course = (np.arange(0.0, 48.0, 0.25), 40.0 + np.sin(np.arange(192.0)))
    tracemalloc.start()
    blocks = block_figures(["a", "b", "c"], at_h, figures, course, runs_in=True)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 4 * n
    hour = np.floor(at_h).astype(int)
    assert blocks.start_h.tolist() == np.unique(hour).tolist()
    assert 12.0 not in blocks.start_h
    for place, at in enumerate(np.unique(hour)):
        within = hour == at
        assert blocks.counts[place] == within.sum()
        means = [np.nanmean(one[within], dtype=np.float64) for one in figures]
        assert blocks.values[place] == pytest.approx(means, rel=1e-9)
        warm = np.interp(at_h[within], *course).mean()
        assert blocks.temperatures[place, 0] == pytest.approx(warm)
