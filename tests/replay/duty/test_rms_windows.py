"""The RMS-window curve against a plain search, for pulses, noise, gaps and any stretches."""

import numpy as np
import pytest

from replay.duty.held_steps import HeldSteps, held_steps
from replay.duty.rms_windows import MOST_REFINED_S, RmsWindows, SecondLoads

S = 1_000_000_000
START_NS = 1_795_000_000 * S


def _steps(time_s, load, *, hold_s=0.5, end_s) -> HeldSteps:
    time_ns = START_NS + np.round(np.asarray(time_s) * S).astype(np.int64)
    return held_steps(
        time_ns,
        np.asarray(load, float),
        None,
        load_hold_ns=round(hold_s * S),
        speed_hold_ns=0,
        start_ns=START_NS,
        end_ns=START_NS + end_s * S,
    )


def _seconds(steps: HeldSteps, n: int) -> SecondLoads:
    held, energy, peak = np.zeros(n), np.zeros(n), np.zeros(n)
    for begin, end, load in zip(steps.begin_ns, steps.end_ns, steps.load, strict=True):
        at = int(begin - START_NS) // S
        while START_NS + at * S < end:
            low, high = max(begin, START_NS + at * S), min(end, START_NS + (at + 1) * S)
            held[at] += (high - low) / S
            energy[at] += load**2 * (high - low) / S
            peak[at] = max(peak[at], load**2)
            at += 1
    return SecondLoads(start_ns=START_NS, held_s=held, energy=energy, peak_square=peak)


def _curve(steps: HeldSteps, n: int, *, stretch_s: int):
    windows = RmsWindows(_seconds(steps, n))
    for begin in range(0, n, stretch_s):
        until = min(begin + stretch_s + MOST_REFINED_S, n)
        inside = steps.begin_ns < START_NS + until * S
        inside &= steps.end_ns > START_NS + begin * S
        part = HeldSteps(
            begin_ns=np.maximum(steps.begin_ns[inside], START_NS + begin * S),
            end_ns=np.minimum(steps.end_ns[inside], START_NS + until * S),
            load=steps.load[inside],
            speed=steps.speed[inside],
        )
        windows.feed(part, START_NS + begin * S, START_NS + until * S)
    return {one.window_s: one for one in windows.curve()}


def _plain(steps: HeldSteps, window_s: int) -> float:
    """Return the highest RMS over windows without a gap that begin or end at any change."""
    edges = np.unique(np.concatenate([steps.begin_ns, steps.end_ns])) - START_NS
    begin, end = steps.begin_ns - START_NS, steps.end_ns - START_NS
    best = 0.0
    for first in np.concatenate([edges, edges - window_s * S]):
        inside = np.maximum(np.minimum(end, first + window_s * S) - np.maximum(begin, first), 0)
        if inside.sum() >= window_s * S * (1 - 1e-9):
            best = max(best, float(inside @ steps.load**2) / (window_s * S))
    return best**0.5


@pytest.mark.parametrize("stretch_s", [7, 60])
@pytest.mark.parametrize("seed", range(4))
def test_the_curve_is_that_of_a_plain_search(seed, stretch_s):
    """Rows at uneven times; pulses that begin anywhere; a gap. Windows of up to 30 s are exact."""
    dice = np.random.default_rng(seed)
    time_s = np.cumsum(dice.uniform(0.05, 0.35, 300))
    load = np.where(dice.random(300) < 0.15, 30.0, 4.0) + dice.normal(0, 1, 300)
    if seed % 2:
        time_s[150:] += 9.3
    n = int(time_s[-1]) + 2
    steps = _steps(time_s, load, end_s=n)
    curve = _curve(steps, n, stretch_s=stretch_s)
    for window_s in (1, 2, 5, 12, 30):
        found = curve[window_s]
        # Where a gap takes part, whole seconds of it count with their held time.
        assert found.rms >= _plain(steps, window_s) * (1 - 1e-9), window_s
        if not seed % 2:
            assert found.rms == pytest.approx(_plain(steps, window_s), rel=1e-9), window_s
        assert found.at_most == found.rms


def test_a_pulse_between_two_seconds_is_whole():
    """1 s at 10, from 0.37 s behind a whole second on: whole seconds alone would tell 7.9."""
    time_s = np.arange(0, 60, 0.01)
    load = np.where((time_s >= 20.37 - 1e-9) & (time_s < 21.37 - 1e-9), 10.0, 1.0)
    curve = _curve(_steps(time_s, load, end_s=60), 60, stretch_s=25)
    assert curve[1].rms == pytest.approx(10.0)
    assert curve[1].start_ns == START_NS + round(20.37 * S)
    assert curve[2].rms == pytest.approx((101 / 2) ** 0.5)


def test_longer_windows_know_how_much_they_may_be_off():
    """At 40 s and more the bound holds what a plain search finds, and is close."""
    dice = np.random.default_rng(9)
    time_s = np.arange(0, 300, 0.1)
    load = 5 + 4 * np.sin(time_s / 17) + dice.normal(0, 0.3, len(time_s))
    steps = _steps(time_s, load, end_s=300)
    curve = _curve(steps, 300, stretch_s=60)
    for window_s in (40, 120, 300):
        found, plain = curve[window_s], _plain(steps, window_s)
        assert found.rms <= plain * (1 + 1e-9) <= found.at_most * (1 + 2e-9)
        assert found.at_most <= found.rms * 1.02


def test_what_is_mostly_a_gap_is_no_window():
    """A load for 10 s in 100: the longest window is one that it was held in."""
    time_s = np.arange(40, 50, 0.1)
    curve = _curve(_steps(time_s, np.full(100, 6.0), hold_s=0.3, end_s=100), 100, stretch_s=60)
    assert max(curve) == 12
    assert curve[12].rms == pytest.approx(6.0)


def test_worked_duties():
    """X_rms = sqrt(sum(X^2 t) / sum(t)), rest included: figures worked out outside this project.

    The handbook formula is quoted from memory; no standard was opened for it.
    """
    for parts, expected in (
        ([(30, 0.5), (10, 2.0), (-25, 0.4), (0, 1.1)], 15.0),
        ([(12, 4), (0, 6)], 7.58946638),
        ([(50, 0.2), (20, 1.5), (35, 0.3)], 27.0878201),
    ):
        whole_s = sum(lasts for _, lasts in parts)
        count = round(10 * whole_s)
        # The cycle again and again, of whole tenths; a window of whole cycles.
        cycle = np.concatenate([np.full(round(10 * lasts), float(load)) for load, lasts in parts])
        load = np.tile(cycle, -(-600 // count) + 1)
        window = next(w for w in (4, 10, 2) if abs(w - whole_s) < 1e-9)
        n = len(load) // 10
        curve = _curve(_steps(np.arange(len(load)) / 10, load, end_s=n), n, stretch_s=30)
        assert curve[window].rms == pytest.approx(expected, rel=1e-8)
