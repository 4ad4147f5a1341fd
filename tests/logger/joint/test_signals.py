"""Time-weighted figures: weighted by time, and the same from any split of a trace."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.signals import Buckets, bucketed, figures_of, merged, regrouped, spanned

S = 1_000_000_000


def _rms(parts: list[tuple[float, float]], *, rate_hz: float = 100.0) -> float:
    """Return the RMS of (value, seconds) stretches, each sampled `rate_hz` times a second."""
    times, values, at = [], [], 0
    for value, seconds in parts:
        step = round(S / rate_hz)
        for t in range(at, at + round(seconds * S), step):
            times.append(t)
            values.append(value)
        at += round(seconds * S)
    found = spanned(np.array(times), np.array(values), hold_ns=S, start_ns=0, end_ns=at)
    return figures_of([found]).rms


@pytest.mark.parametrize(
    ("parts", "rms"),
    [
        ([(30.0, 0.5), (10.0, 2.0), (-25.0, 0.4), (0.0, 1.1)], 15.0),
        ([(12.0, 4.0), (0.0, 6.0)], 7.58946638),
        ([(50.0, 0.2), (20.0, 1.5), (35.0, 0.3)], 27.0878201),
    ],
)
def test_rms_of_duty_cycles(parts: list[tuple[float, float]], rms: float):
    """X_rms = sqrt(sum X^2 t / sum t), rest included (handbook formula, from memory)."""
    assert _rms(parts) == pytest.approx(rms, rel=1e-8)


def test_a_joint_that_reports_more_under_load_does_not_lie():
    """12 N.m for 4 s at 1 kHz and rest for 6 s at 10 Hz is 7.59 N.m RMS, not 11.9."""
    times = np.concatenate((np.arange(4000) * (S // 1000), 4 * S + np.arange(60) * (S // 10)))
    values = np.concatenate((np.full(4000, 12.0), np.zeros(60)))
    found = spanned(times, values, hold_ns=S // 5, start_ns=0, end_ns=10 * S)
    assert figures_of([found]).rms == pytest.approx(7.58946638, rel=1e-8)
    assert np.sqrt(np.mean(values**2)) > 11.9


@st.composite
def _trace(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    n = draw(st.integers(1, 120))
    steps = draw(st.lists(st.integers(0, 900_000_000), min_size=n, max_size=n))
    values = draw(st.lists(st.integers(-50, 50), min_size=n, max_size=n))
    return np.cumsum(np.array(steps, np.int64)) + 5 * S, np.array(values, float) / 4


def _plain(time_ns, value, *, hold_ns: int, width_ns: int, until_ns: int) -> dict[int, list[float]]:
    """Return the same by plain loops: bucket -> n, duration, integral, minimum, maximum."""
    found: dict[int, list[float]] = {}
    for i, (t, v) in enumerate(zip(time_ns.tolist(), value.tolist(), strict=True)):
        following = time_ns[i + 1] if i + 1 < len(time_ns) else max(until_ns, t)
        end = min(int(following), t + hold_ns)
        at, first = t, True
        while first or at < end:
            bucket = at // width_ns
            until = max(min(end, (bucket + 1) * width_ns), at)
            one = found.setdefault(bucket, [0, 0.0, 0.0, v, v])
            one[0] += first
            one[1] += (until - at) * 1e-9
            one[2] += (until - at) * 1e-9 * v
            one[3], one[4] = min(one[3], v), max(one[4], v)
            at, first = until, False
    return found


def _same(one: Buckets, other: Buckets) -> None:
    np.testing.assert_array_equal(one.start_ns, other.start_ns)
    for name, values in one.columns().items():
        np.testing.assert_allclose(
            values, other.columns()[name], rtol=1e-9, atol=1e-9, err_msg=name
        )


@settings(max_examples=150, deadline=None)
@given(_trace(), st.sampled_from([100_000_000, 400_000_000, 3 * S]))
def test_buckets_are_what_plain_loops_give(trace, hold_ns: int):
    """n, held time, mean and extremes of every bucket, with gaps and values held over edges."""
    time_ns, value = trace
    until = int(time_ns[-1]) + S
    found = bucketed(time_ns, value, hold_ns=hold_ns, width_ns=S, until_ns=until)
    plain = _plain(time_ns, value, hold_ns=hold_ns, width_ns=S, until_ns=until)
    assert (found.start_ns // S).tolist() == sorted(plain)
    for i, bucket in enumerate(sorted(plain)):
        n, duration, integral, low, high = plain[bucket]
        assert found.n[i] == n
        assert found.duration_s[i] == pytest.approx(duration, abs=1e-9)
        assert (found.minimum[i], found.maximum[i]) == (low, high)
        if duration > 0:
            assert found.mean[i] == pytest.approx(integral / duration, abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(_trace(), st.data())
def test_a_split_trace_merges_to_the_whole(trace, data: st.DataObject):
    """Cut anywhere, with the last value carried on, the merged buckets are the whole's."""
    time_ns, value = trace
    until = int(time_ns[-1]) + S
    common = {"hold_ns": 400_000_000, "width_ns": S}
    whole = bucketed(time_ns, value, until_ns=until, **common)
    cut = data.draw(st.integers(0, len(time_ns) - 1))
    first = bucketed(time_ns[:cut], value[:cut], until_ns=int(time_ns[cut]), **common)
    second = bucketed(time_ns[cut:], value[cut:], until_ns=until, **common)
    _same(merged([first, second]), whole)


@settings(max_examples=60, deadline=None)
@given(_trace())
def test_regrouping_is_associative(trace):
    """One step of eight and then of four is one step of thirty-two."""
    time_ns, value = trace
    fine = bucketed(time_ns, value, hold_ns=S, width_ns=S // 4, until_ns=int(time_ns[-1]) + S)
    _same(regrouped(regrouped(fine, 2 * S), 8 * S), regrouped(fine, 8 * S))
    ours, theirs = figures_of([fine]), figures_of([regrouped(fine, 8 * S)])
    assert ours.rms == pytest.approx(theirs.rms, rel=1e-9, abs=1e-9)
    assert (ours.minimum, ours.maximum) == (theirs.minimum, theirs.maximum)
