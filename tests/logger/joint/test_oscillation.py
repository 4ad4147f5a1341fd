"""The amplitude within a band: closed forms, FFT, uneven times, and streaming = batch."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.oscillation import OscillationState, band_amplitude, highest_frequency_Hz
from tests.support.depth import examples

S = 1_000_000_000
BAND = (3.0, 12.0)


def _times(rate_hz: float, seconds: float, *, jitter: float = 0.0, seed: int = 0):
    """Return seconds since the start, each off by up to `jitter` periods."""
    count = int(rate_hz * seconds)
    late = np.random.default_rng(seed).uniform(-jitter, jitter, count)
    return (np.arange(count) + late) / rate_hz


def _amplitude(time_s, value, *, hold_s: float = 1.0):
    time_ns = np.round((1000 + time_s) * S).astype(np.int64)
    found, _ = band_amplitude(
        OscillationState(), time_ns, value, band_Hz=BAND, hold_ns=round(hold_s * S)
    )
    return found


def _passes(frequency_hz: float) -> float:
    """Return what a Butterworth band-pass of prototype order 2 lets through, by its closed form."""
    low, high = BAND
    detune = (frequency_hz**2 - low * high) / (frequency_hz * (high - low))
    return 1.0 / np.sqrt(1.0 + detune**4)


@pytest.mark.parametrize("rate_hz", [60.0, 100.0, 1000.0])
@pytest.mark.parametrize("jitter", [0.0, 0.2])
@pytest.mark.parametrize("frequency_hz", [3.0, 4.5, 6.0, 9.0, 12.0])
def test_a_sine_is_told_by_its_amplitude(rate_hz: float, jitter: float, frequency_hz: float):
    """Zero to peak, times what the band lets through, whatever offset and drift it rides on."""
    time_s = _times(rate_hz, 8.0, jitter=jitter)
    value = 40.0 + 3.0 * time_s + 2.0 * np.sin(2 * np.pi * frequency_hz * time_s + 0.7)
    told = _amplitude(time_s, value)[time_s > 3]
    assert told == pytest.approx(2.0 * _passes(frequency_hz), rel=0.05)
    assert told.mean() == pytest.approx(2.0 * _passes(frequency_hz), rel=0.03)


def test_offset_drift_and_slow_motion_do_not_count():
    """A joint that moves widely and slowly does not oscillate; a step rings and dies away."""
    time_s = _times(200.0, 20.0)
    assert np.nanmax(_amplitude(time_s, np.full(len(time_s), 1e6))) == 0.0
    assert np.nanmax(_amplitude(time_s, 5.0 * time_s)[time_s > 3]) < 1e-3
    slow = _amplitude(time_s, 30.0 * np.sin(2 * np.pi * 0.2 * time_s))[time_s > 3]
    assert np.nanmax(slow) < 0.15
    step = _amplitude(time_s, np.where(time_s < 10, 0.0, 10.0))
    assert np.nanmax(step) > 1.0
    assert step[time_s > 12].max() < 0.01


def test_a_small_quick_oscillation_is_found_in_a_wide_slow_motion():
    """What turning points would hide: the slope of the motion never turns."""
    time_s = _times(200.0, 20.0, jitter=0.3)
    motion = 20.0 * np.sin(2 * np.pi * 0.2 * time_s)
    value = motion + 0.3 * np.sin(2 * np.pi * 6 * time_s)
    told = _amplitude(time_s, value)[time_s > 3]
    assert told.mean() == pytest.approx(0.3, rel=0.05)


def test_noise_is_told_as_its_spectrum_says():
    """Held against numpy's FFT times the closed form, over a minute of noise."""
    time_s = _times(500.0, 60.0)
    value = np.random.default_rng(4).normal(0, 1, len(time_s))
    frequency = np.fft.rfftfreq(len(time_s), 1 / 500.0)
    passed = np.zeros(len(frequency))
    passed[1:] = _passes(frequency[1:])
    within = np.fft.irfft(np.fft.rfft(value) * passed, len(time_s))
    told = _amplitude(time_s, value)[time_s > 3]
    assert np.sqrt(np.mean(told**2)) == pytest.approx(np.sqrt(2) * within.std(), rel=0.05)


def test_nothing_is_told_before_a_whole_window():
    """Two cycles of the lowest frequency after the start and behind each gap."""
    time_s = _times(100.0, 10.0)
    time_s[500:] += 2.0
    told = _amplitude(time_s, np.sin(2 * np.pi * 6 * time_s), hold_s=0.5)
    known = np.isfinite(told)
    for begin in (time_s[0], time_s[500]):
        since = time_s - begin
        fresh = (since >= 0) & (since < 2.0 / 3.0)
        assert not known[fresh].any()
        assert known[(since > 0.75) & (since < 2.0)].all()


def test_too_slow_a_joint_is_not_told():
    """Fewer than four readings a cycle of the highest frequency: NaN, never a wrong number."""
    assert highest_frequency_Hz(0.01) == pytest.approx(20.0)
    for rate_hz, known in ((40.0, False), (47.0, False), (49.0, True), (60.0, True)):
        time_s = _times(rate_hz, 10.0)
        told = _amplitude(time_s, np.sin(2 * np.pi * 6 * time_s))[time_s > 3]
        assert np.isfinite(told).all() == known
        assert np.isfinite(told).any() == known


def test_an_alias_is_not_taken_for_an_oscillation():
    """30 Hz at 35 readings a second looks like 5 Hz: such readings tell nothing."""
    time_s = _times(35.0, 10.0)
    assert not np.isfinite(_amplitude(time_s, np.sin(2 * np.pi * 30 * time_s))).any()


def test_several_readings_of_one_instant_are_a_jump():
    """Equal times cost nothing and break nothing: the newest one stands."""
    time_s = np.repeat(_times(100.0, 6.0), 2)
    value = np.sin(2 * np.pi * 6 * time_s)
    value[::2] += 1e-3
    told = _amplitude(time_s, value)[time_s > 3]
    assert np.isfinite(told).all()
    assert told.mean() == pytest.approx(1.0, rel=0.03)


def test_what_grows_for_days_loses_no_digits():
    """Behind a million readings of a large swing a small one is told as well."""
    time_s = _times(1000.0, 1000.0)
    value = np.where(time_s < 990, 100.0, 0.01) * np.sin(2 * np.pi * 6 * time_s)
    told = _amplitude(time_s, value)
    assert told[time_s > 996].mean() == pytest.approx(0.01, rel=0.03)


@settings(max_examples=examples(200))
@given(
    seed=st.integers(0, 2**32),
    cuts=st.lists(st.integers(0, 400), max_size=8),
    band=st.sampled_from([(0.2, 0.5), (1.0, 4.0), (3.0, 12.0)]),
)
def test_any_chunking_gives_the_same_bits(seed: int, cuts: list[int], band: tuple[float, float]):
    """Uneven times, equal ones and gaps, cut anywhere: the same numbers and the same state."""
    random = np.random.default_rng(seed)
    steps = random.choice([0, 1, 9_000_000, 10_000_000, 11_000_000, 300_000_000, S], 400)
    time_ns = 1000 * S + np.cumsum(steps)
    value = np.round(np.cumsum(random.normal(0, 1, 400)), 2)
    hold_ns = int(random.choice([20_000_000, S // 2, 2 * S]))
    whole, end = band_amplitude(OscillationState(), time_ns, value, band_Hz=band, hold_ns=hold_ns)
    state, parts, before = OscillationState(), [], 0
    for cut in [*sorted(cuts), 400]:
        part = slice(before, cut)
        found, state = band_amplitude(
            state, time_ns[part], value[part], band_Hz=band, hold_ns=hold_ns
        )
        parts.append(found)
        before = cut
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    assert state == end


def _plainly(time_ns, value, band_hz, hold_ns):
    """Return the same reading by reading: all four poles, no sums over blocks, marks in a list."""
    low, high = (2 * np.pi * one for one in band_hz)
    width, middle2 = high - low, low * high
    bottom = np.poly1d(
        [1, np.sqrt(2) * width, 2 * middle2 + width**2, np.sqrt(2) * width * middle2, middle2**2]
    )
    poles = bottom.roots
    gains = width**2 * poles**2 / bottom.deriv()(poles)
    cell_ns = round(2.0 / band_hz[0] * 1e9 / 32)
    told, before = [], None
    for t, u in zip(time_ns.tolist(), value.tolist(), strict=True):
        if before is None or t - before[0] > hold_ns:
            state, energy, count, output, marks = -u / poles, 0.0, 0, 0.0, []
            before = (t, u)
        step = (t - before[0]) * 1e-9
        if step > 0:
            slope, decay = (u - before[1]) / step, np.exp(poles * step)
            steady = before[1] / poles + slope / poles**2
            state = decay * (state + steady) - u / poles - slope / poles**2
        rounded = gains * (1 - (poles * step) ** 2 / 12)
        new = (rounded * (state + u / poles)).sum().real
        energy += 0.5 * step * (output**2 + new**2)
        output, count, before = new, count + 1, (t, u)
        if not marks or marks[-1][0] // cell_ns != t // cell_ns:
            marks.append((t, energy, count))
        old = [one for one in marks if one[0] // cell_ns <= t // cell_ns - 32]
        if not old:
            told.append(np.nan)
            continue
        span = (t - old[-1][0]) * 1e-9
        often = count - old[-1][2] >= 4.0 * band_hz[1] * span
        mean_square = max(energy - old[-1][1], 0.0) / span
        told.append(np.sqrt(2 * mean_square) if often else np.nan)
    return np.array(told)


@settings(max_examples=examples(60))
@given(seed=st.integers(0, 2**32), band=st.sampled_from([(0.5, 4.0), (2.0, 3.0), (3.0, 12.0)]))
def test_it_is_what_plain_loops_say(seed: int, band: tuple[float, float]):
    """Another way to the same filter, at uneven times, equal ones and gaps: the same numbers."""
    random = np.random.default_rng(seed)
    steps = random.choice([0, 5_000_000, 10_000_000, 13_000_000, 60_000_000, S], 500)
    time_ns = 1000 * S + np.cumsum(random.choice([5_000_000, 10_000_000, 13_000_000], 500))
    time_ns += np.cumsum(np.where(random.random(500) < 0.02, steps, 0))
    value = np.round(np.cumsum(random.normal(0, 1, 500)), 2) + 20.0
    found, _ = band_amplitude(OscillationState(), time_ns, value, band_Hz=band, hold_ns=100_000_000)
    np.testing.assert_allclose(
        found, _plainly(time_ns, value, band, 100_000_000), rtol=1e-6, atol=1e-8
    )
