"""What swings: decays, resonances that noise drives, limit cycles, dry friction, and nothing."""

import numpy as np
import pytest

from logger.errors import InputError
from replay.measure.kinds.oscillation import measure_oscillation
from replay.measure.reading import Reading
from replay.measure.setup import BenchSetup, SpanTrace
from tests.support.benches.swing_bench import (
    decay_bound,
    decay_values,
    noise_driven_values,
    swing_setup,
)

T = np.arange(0, 5.0, 0.01)


def _held(found, name: str, true: float) -> bool:
    quantity = found.quantity_named(name)
    return quantity is not None and quantity.low <= true <= quantity.high


def test_a_decay_gives_frequency_and_damping():
    """20 dB at the start, 100 readings a second."""
    values = decay_values(np.random.default_rng(1), T, frequency=6.0, damping=0.02)
    found = measure_oscillation(swing_setup(T, values))
    assert found.method.code == "decay"
    assert _held(found, "frequency", 6.0)
    assert _held(found, "damping_ratio", 0.02)
    highest = found.quantity_named("highest_frequency")
    assert highest is not None
    assert highest.value == pytest.approx(50.0)


def test_a_burst_that_is_over_soon_is_found():
    """Half a second in twenty: a tapered spectrum would lose it."""
    time_s = np.arange(0, 20.0, 0.01)
    values = decay_values(np.random.default_rng(1), time_s, frequency=6.0, damping=0.2)
    found = measure_oscillation(swing_setup(time_s, values))
    assert _held(found, "frequency", 6.0)


def test_noise_that_keeps_it_going_is_no_decay():
    """By its spectrum: a decay would read it as no damping at all."""
    time_s = np.arange(0, 60.0, 0.01)
    values = noise_driven_values(np.random.default_rng(1), time_s, frequency=6.0, damping=0.05)
    found = measure_oscillation(swing_setup(time_s, values))
    assert found.method.code == "spectrum"
    assert _held(found, "damping_ratio", 0.05)


def test_the_amplitude_that_noise_keeps_up_has_its_interval():
    """Drawn anew it would be another: never known to a hundredth of a per cent."""
    time_s = np.arange(0, 60.0, 0.01)
    values = noise_driven_values(np.random.default_rng(1), time_s, frequency=6.0, damping=0.05)
    amplitude = measure_oscillation(swing_setup(time_s, values)).quantity_named("amplitude")
    assert amplitude is not None
    # Mean square of a resonance over so long: relative variance 1 / (damping x omega x length).
    least = 0.5 / np.sqrt(0.05 * 2 * np.pi * 6.0 * 60.0)
    assert 0.7 * least < amplitude.standard_uncertainty / amplitude.value < 3.0 * least


def test_a_swing_that_friction_stops_is_no_noise():
    """Viscous and dry at once, then at rest: it dies away, with its frequency and no one ratio."""
    omega, step = 2 * np.pi * 1.5, 0.001
    place, speed, places = 0.15, 0.0, []
    for _ in range(6000):
        speed += step * (-(omega**2) * place - 0.8 * speed)
        speed = np.sign(speed) * max(abs(speed) - step * 0.9, 0.0)
        place += step * speed
        places.append(place)
    time_s = np.arange(0, 6.0, 0.01)
    values = np.array(places[::10]) + 2e-5 * np.random.default_rng(1).standard_normal(len(time_s))
    found = measure_oscillation(swing_setup(time_s, values))
    assert found.answer == "it dies away"
    assert _held(found, "frequency", 1.5)
    assert [one.of.name for one in found.unknown] == ["damping_ratio"]


def test_bursts_that_noise_makes_are_not_taken_for_dry_friction():
    """A lightly damped resonance waxes and wanes: eight draws, none of them a decay."""
    time_s, dice = np.arange(0, 60.0, 0.02), np.random.default_rng(3)
    for _ in range(8):
        values = noise_driven_values(dice, time_s, frequency=6.0, damping=0.02)
        assert measure_oscillation(swing_setup(time_s, values)).method.code == "spectrum"


def test_a_limit_cycle_has_no_damping():
    """Sustained: said, not a ratio of nought."""
    values = np.sin(2 * np.pi * 6.0 * T) + np.random.default_rng(1).normal(0, 0.05, len(T))
    found = measure_oscillation(swing_setup(T, values))
    assert "sustained" in found.answer
    assert [one.why.code for one in found.unknown] == ["sustained"]


def test_what_grows_is_told():
    """A negative decay is growth."""
    values = 0.1 * np.exp(0.5 * T) * np.sin(2 * np.pi * 6.0 * T)
    values = values + np.random.default_rng(1).normal(0, 0.01, len(T))
    found = measure_oscillation(swing_setup(T, values))
    assert found.answer == "it grows"
    assert _held(found, "growth", 0.5)


def test_dry_friction_has_no_damping_ratio():
    """Swings that lose the same each time."""
    values = np.maximum(1 - T / 4.0, 0) * np.cos(2 * np.pi * 3.0 * T)
    values = values + np.random.default_rng(1).normal(0, 0.01, len(T))
    found = measure_oscillation(swing_setup(T, values))
    assert [one.why.code for one in found.unknown] == ["dry friction"]


def test_nothing_swings():
    """Noise alone is no oscillation."""
    for seed in range(5):
        values = np.random.default_rng(seed).normal(0, 1.0, len(T))
        found = measure_oscillation(swing_setup(T, values))
        assert found.answer.startswith("nothing swings"), seed


@pytest.mark.parametrize("values", [np.ones(len(T)), 3.0 * T, np.rint(0.2 * T)])
def test_what_stands_still_or_drifts_does_not_swing(values):
    """Nothing is left beside the line but rounding: no frequency is made of it."""
    found = measure_oscillation(swing_setup(T, values, count=1.0))
    assert found.answer.startswith("nothing swings")
    assert found.quantity_named("frequency") is None


def test_a_sine_without_noise():
    """What is left is the rounding of numbers, and no spectrum of anything."""
    found = measure_oscillation(swing_setup(T, np.sin(2 * np.pi * 6.0 * T)))
    assert found.method.code == "decay"
    assert found.quantities[0].value == pytest.approx(6.0, rel=1e-6)


def test_the_inertia_of_an_arm_from_a_second_one():
    """K = 100 N.m/rad, 0.05 kg.m2 and 0.03 more."""
    spans, begin = [], 0.0
    for name, inertia in (("swing1", 0.05), ("swing2", 0.08)):
        frequency = np.sqrt(100.0 / inertia) / 2 / np.pi
        values = decay_values(np.random.default_rng(1), T, frequency=frequency, damping=0.01)
        spans.append(
            SpanTrace(name=name, recording="r", start_ns=round(begin * 1e9),
                      end_ns=round((begin + 5) * 1e9), series={"position_rad": (T + begin, values)})
        )  # fmt: skip
        begin += 6.0
    added = Reading(name="added", value=0.03, unit="kg.m2", at_span="swing2", text="0.03 kg.m2")
    found = measure_oscillation(BenchSetup(spans=tuple(spans), readings=(added,)))
    inertia = found.quantity_named("inertia")
    assert inertia is not None
    assert inertia.value == pytest.approx(0.05, rel=0.03)
    assert 0.0 < inertia.standard_uncertainty < 0.002


def test_too_few_readings():
    """One sentence."""
    with pytest.raises(InputError, match="fewer than 24"):
        measure_oscillation(swing_setup(T[:10], T[:10]))
    with pytest.raises(InputError, match="no recording"):
        measure_oscillation(BenchSetup())


@pytest.mark.study
@pytest.mark.parametrize(
    ("frequency", "damping", "length_s", "rate_hz"),
    [(6.0, 0.01, 2, 100), (1.5, 0.003, 20, 100), (20.0, 0.1, 2, 100), (6.0, 0.2, 20, 100),
     (6.0, 0.03, 5, 1000)],
)  # fmt: skip
def test_errors_against_the_bound_over_400_decays(frequency, damping, length_s, rate_hz):
    """RMS at most 1.3 times the Cramer-Rao bound, intervals of 90 to 98 of 100."""
    dice = np.random.default_rng(3)
    time_s = np.arange(0, length_s, 1 / rate_hz)
    bounds = decay_bound(time_s, frequency=frequency, damping=damping)
    errors, held = [], []
    for _ in range(400):
        true = frequency * dice.uniform(0.9, 1.1)
        values = decay_values(dice, time_s, frequency=true, damping=damping)
        found = measure_oscillation(swing_setup(time_s, values))
        own, ratio = (found.quantity_named(name) for name in ("frequency", "damping_ratio"))
        assert own is not None
        if ratio is None:
            continue
        errors.append((own.value - true, ratio.value - damping))
        held.append((own.low <= true <= own.high, ratio.low <= damping <= ratio.high))
    assert len(errors) > 380
    rms = np.sqrt(np.mean(np.square(errors), axis=0)) / bounds
    assert (rms < 1.3).all(), rms
    cover = np.mean(held, axis=0)
    assert (cover >= 0.9).all(), cover
