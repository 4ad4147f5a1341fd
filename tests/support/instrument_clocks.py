"""Instruments beside a joint whose clocks, lags and ways of reading are known."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from logger.arrays import Floats
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import SensorSettings
from logger.store.tools.add_sensor import add_sensor
from replay.instruments.clock import ClockEstimate, estimate_clock
from replay.instruments.instrument_mode import InstrumentMode
from replay.instruments.match import Window
from replay.instruments.reference import reference_on_grid
from replay.recording import Recording
from tests.support.heat_recordings import START_NS, record_channels

FINE_S = 0.002
LEAD_S = 150.0
JOINT_STEP_S = 0.01
WITHIN_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """How an instrument reads a joint that steps so many times."""

    period_s: float
    steps: int
    lag_s: float = 0.0
    noise: float = 0.01
    """Of a step, as a standard deviation."""
    averaged: bool = False
    dead_time_s: float = 0.0
    drift: float = 0.0
    span_s: float | None = None
    repeats_s: float | None = None
    """The load repeats itself with this period, in place of steps at random times."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What an instrument and a joint recorded, and the truth about it."""

    own_s: Floats
    readings: Floats
    joint_s: Floats
    course: Floats
    offset_s: float
    """What has to be added to the instrument's times, its dead time included."""


def draw_trial(instrument: Instrument, rng: np.random.Generator) -> Trial:
    """Return one trial; times are counted from the middle of the span."""
    steps = instrument.steps
    span_s = instrument.span_s or 30.0 * (steps + 1)
    offset_s = rng.uniform(-5, 5)
    if instrument.repeats_s is not None:
        edges = np.arange(-LEAD_S, span_s + LEAD_S, instrument.repeats_s / 2)
        levels = np.arange(len(edges) + 1) % 2 * 1.0
    else:
        drawn = np.arange(steps) + rng.uniform(0.7, 1.3, steps)
        edges = drawn / (steps + 1) * span_s
        sizes = rng.choice([-1, 1], steps) * rng.uniform(0.7, 1.3, steps)
        levels = np.r_[0.0, np.cumsum(sizes)]
    fine_s = np.arange(-LEAD_S, span_s + LEAD_S, FINE_S)
    shown = levels[np.searchsorted(edges, fine_s)]
    joint_s = np.arange(-LEAD_S, span_s + LEAD_S, JOINT_STEP_S)
    course = levels[np.searchsorted(edges, joint_s)]
    course = course + instrument.noise * rng.standard_normal(len(course))
    if instrument.lag_s > 0:
        keep = np.exp(-FINE_S / instrument.lag_s)
        shown = lfilter([1 - keep], [1, -keep], shown, zi=[keep * shown[0]])[0]
    if instrument.averaged:
        count = round(instrument.period_s / FINE_S)
        sums = np.r_[0.0, np.cumsum(shown)]
        at = np.arange(len(shown)) + 1
        shown = (sums[at] - sums[np.maximum(at - count, 0)]) / np.minimum(count, at)
    first_s = 6.0 + rng.uniform(0, instrument.period_s)
    true_s = np.arange(first_s, span_s - 6.0, instrument.period_s)
    readings = np.interp(true_s - instrument.dead_time_s, fine_s, shown)
    readings = readings + instrument.noise * rng.standard_normal(len(true_s))
    middle_s = span_s / 2
    return Trial(
        own_s=true_s - offset_s - instrument.drift * (true_s - middle_s) - middle_s,
        readings=readings,
        joint_s=joint_s - middle_s,
        course=course,
        offset_s=offset_s - instrument.dead_time_s,
    )


def compare(
    trial: Trial, *, mode: InstrumentMode | None = None, within_s: float = WITHIN_S
) -> ClockEstimate | None:
    """Return what is found of a trial, in windows of a minute."""
    period_s = float(np.median(np.diff(trial.own_s)))
    least = 0.1 * float(np.ptp(trial.readings))
    windows = []
    for begin_s in np.arange(trial.own_s[0], trial.own_s[-1], 60.0):
        rows = (trial.own_s >= begin_s) & (trial.own_s < begin_s + 60.0)
        if np.count_nonzero(rows) < 4 or np.ptp(trial.readings[rows]) < least:
            continue
        start_s = max(begin_s - within_s - 100.0, trial.joint_s[0])
        end_s = min(begin_s + 60.0 + within_s, trial.joint_s[-1])
        near = (trial.joint_s >= start_s) & (trial.joint_s <= end_s)
        reference = reference_on_grid(
            trial.joint_s[near],
            trial.course[near],
            start_s=float(start_s),
            end_s=float(end_s),
            step_s=min(JOINT_STEP_S, period_s / 5),
        )
        windows.append(
            Window(times_s=trial.own_s[rows], values=trial.readings[rows], reference=reference)
        )
    return estimate_clock(windows, period_s=period_s, within_s=within_s, mode=mode)


def record_pair(path: Path, *, late_s: float = 2.4) -> Recording:
    """Return a recording of two minutes with the sensor `clamp`, whose clock is behind."""
    edges = np.array([17.31, 41.77, 58.02, 83.45, 101.9])
    levels = np.array([0.0, 4.0, 1.0, 6.0, 2.0, 5.0])
    dice = np.random.default_rng(4)

    def seen(at_s: Floats) -> Floats:
        noise: Floats = 0.02 * dice.standard_normal(len(at_s))
        return levels[np.searchsorted(edges, at_s)] + noise

    joint_s = np.arange(0.0, 120.0, 0.02)
    joint_ns = START_NS + np.rint(joint_s * 1e9).astype(np.int64)
    record_channels(path, joint_ns, {"current_A": seen(joint_s)})
    true_s = np.arange(0.5, 119.5, 0.2)
    own_ns = START_NS + np.rint((true_s - late_s) * 1e9).astype(np.int64)
    readings = ReadingBatch(
        joint="clamp",
        time_ns=own_ns,
        position_segment=np.zeros(len(own_ns), np.int32),
        columns={"current_A": seen(true_s)},
    )
    sensor = SensorSettings(name="clamp", channels=("current_A",), hold_s=0.6)
    add_sensor(path, sensor, [readings])
    return Recording.open(path)


def tried(instrument: Instrument, trials: int, *, seed: int) -> tuple[int, int, int]:
    """Return how many of the trials are found, right to 0.1 s, and within their interval."""
    rng = np.random.default_rng(seed)
    found = right = covered = 0
    for _ in range(trials):
        trial = draw_trial(instrument, rng)
        estimate = compare(trial)
        if estimate is not None:
            offset = estimate.offset_s
            found += 1
            right += abs(offset.value - trial.offset_s) <= 0.1
            covered += offset.low <= trial.offset_s <= offset.high
    return found, right, covered
