"""Time-weighted figures: weighted by time, and the same from any split of a trace."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.time_weighted import (
    Buckets,
    merge_buckets,
    resample_buckets,
    span_bucket,
    statistics_of,
    to_buckets,
)
from tests.support.depth import examples

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
    found = span_bucket(np.array(times), np.array(values), hold_ns=S, start_ns=0, end_ns=at)
    return statistics_of([found]).rms


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
    found = span_bucket(times, values, hold_ns=S // 5, start_ns=0, end_ns=10 * S)
    assert statistics_of([found]).rms == pytest.approx(7.58946638, rel=1e-8)
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
    for name, values in one.value_columns().items():
        np.testing.assert_allclose(
            values, other.value_columns()[name], rtol=1e-9, atol=1e-9, err_msg=name
        )


@settings(max_examples=examples(150))
@given(_trace(), st.sampled_from([100_000_000, 400_000_000, 3 * S]))
def test_buckets_are_what_plain_loops_give(trace, hold_ns: int):
    """n, held time, mean and extremes of every bucket, with gaps and values held over edges."""
    time_ns, value = trace
    until = int(time_ns[-1]) + S
    found = to_buckets(time_ns, value, hold_ns=hold_ns, width_ns=S, until_ns=until)
    plain = _plain(time_ns, value, hold_ns=hold_ns, width_ns=S, until_ns=until)
    assert (found.start_ns // S).tolist() == sorted(plain)
    for i, bucket in enumerate(sorted(plain)):
        n, duration, integral, low, high = plain[bucket]
        assert found.n[i] == n
        assert found.duration_s[i] == pytest.approx(duration, abs=1e-9)
        assert (found.minimum[i], found.maximum[i]) == (low, high)
        if duration > 0:
            assert found.mean[i] == pytest.approx(integral / duration, abs=1e-9)


@settings(max_examples=examples(100))
@given(_trace(), st.data())
def test_a_split_trace_merges_to_the_whole(trace, data: st.DataObject):
    """Cut anywhere, with the last value carried on, the merged buckets are the whole's."""
    time_ns, value = trace
    until = int(time_ns[-1]) + S
    common = {"hold_ns": 400_000_000, "width_ns": S}
    whole = to_buckets(time_ns, value, until_ns=until, **common)
    cut = data.draw(st.integers(0, len(time_ns) - 1))
    first = to_buckets(time_ns[:cut], value[:cut], until_ns=int(time_ns[cut]), **common)
    second = to_buckets(time_ns[cut:], value[cut:], until_ns=until, **common)
    _same(merge_buckets([first, second]), whole)


@settings(max_examples=examples(60))
@given(_trace())
def test_regrouping_is_associative(trace):
    """One step of eight and then of four is one step of thirty-two."""
    time_ns, value = trace
    fine = to_buckets(time_ns, value, hold_ns=S, width_ns=S // 4, until_ns=int(time_ns[-1]) + S)
    _same(resample_buckets(resample_buckets(fine, 2 * S), 8 * S), resample_buckets(fine, 8 * S))
    ours, theirs = statistics_of([fine]), statistics_of([resample_buckets(fine, 8 * S)])
    assert ours.rms == pytest.approx(theirs.rms, rel=1e-9, abs=1e-9)
    assert (ours.minimum, ours.maximum) == (theirs.minimum, theirs.maximum)


@settings(max_examples=examples(150))
@given(_trace(), st.integers(-2 * S, 40 * S), st.integers(1, 40 * S))
def test_a_span_is_what_plain_loops_give(trace, start: int, length: int):
    """Any span, cut anywhere: readings inside, held time, mean, RMS, extremes of what held."""
    time_ns, value = trace
    hold, start = 400_000_000, start + 5 * S
    end = start + length
    found = statistics_of([span_bucket(time_ns, value, hold_ns=hold, start_ns=start, end_ns=end)])
    n, held, seen = 0, [], []
    for i, (t, v) in enumerate(zip(time_ns.tolist(), value.tolist(), strict=True)):
        until = min(int(time_ns[i + 1]) if i + 1 < len(time_ns) else end, t + hold, end)
        inside = start <= t < end
        share = max(until - max(t, start), 0) * 1e-9
        n += inside
        held.append((share, v))
        if inside or share > 0:
            seen.append(v)
    total = sum(share for share, _ in held)
    assert found.n == n
    assert found.duration_s == pytest.approx(total, abs=1e-9)
    if seen:
        assert (found.minimum, found.maximum) == (min(seen), max(seen))
    else:
        assert np.isnan([found.minimum, found.maximum, found.mean, found.rms]).all()
    if total > 0:
        assert found.mean == pytest.approx(sum(s * v for s, v in held) / total, abs=1e-9)
        squares = sum(s * v * v for s, v in held) / total
        assert found.rms**2 == pytest.approx(squares, rel=1e-9, abs=1e-9)


@settings(max_examples=examples(100))
@given(_trace(), st.integers(0, 12), st.integers(1, 30))
def test_a_span_of_whole_buckets_is_their_sum(trace, first: int, count: int):
    """Where a span ends on bucket edges, the buckets and the raw readings tell the same."""
    time_ns, value = trace
    start, end = (5 + first) * S, (5 + first + count) * S
    buckets = to_buckets(time_ns, value, hold_ns=S, width_ns=S, until_ns=int(time_ns[-1]) + S)
    ours = statistics_of([buckets.buckets_within(start, end)])
    direct = statistics_of([span_bucket(time_ns, value, hold_ns=S, start_ns=start, end_ns=end)])
    for name in ("n", "duration_s", "minimum", "maximum"):
        assert getattr(ours, name) == pytest.approx(getattr(direct, name), abs=1e-9, nan_ok=True), (
            name
        )
    if ours.duration_s > 0:
        assert ours.mean == pytest.approx(direct.mean, abs=1e-9)
        assert ours.rms == pytest.approx(direct.rms, abs=1e-9)


@settings(max_examples=examples(60))
@given(_trace(), st.integers(1, 5))
def test_merging_is_associative(trace, pieces: int):
    """Merged pair by pair or all at once, the buckets are the same."""
    time_ns, value = trace
    edges = np.linspace(0, len(time_ns), pieces + 1).astype(int)
    parts = []
    for a, b in pairwise(edges.tolist()):
        until = int(time_ns[b]) if b < len(time_ns) else int(time_ns[-1]) + S
        parts.append(to_buckets(time_ns[a:b], value[a:b], hold_ns=S, width_ns=S, until_ns=until))
    one = parts[0]
    for part in parts[1:]:
        one = merge_buckets([one, part])
    if len(one):
        _same(one, merge_buckets(parts))


def test_a_large_offset_costs_no_digits():
    """Spread of 1e-3 on 1e6: squares of the values would drown it, deviations do not."""
    dice = np.random.default_rng(1)
    value = 1e6 + dice.normal(0, 1e-3, 10_000)
    time_ns = np.arange(10_000) * 1_000_000
    found = to_buckets(time_ns, value, hold_ns=S, width_ns=S, until_ns=10 * S)
    whole = resample_buckets(found, 16 * S)
    spread = np.sqrt(whole.m2[0] / whole.duration_s[0])
    assert spread == pytest.approx(np.std(value), rel=1e-6)


def test_two_readings_at_one_instant():
    """The later one holds; the earlier has no weight, and is still an extreme."""
    time_ns = np.array([0, 0, S // 2])
    found = span_bucket(time_ns, np.array([9.0, 1.0, 1.0]), hold_ns=S, start_ns=0, end_ns=S)
    figures = statistics_of([found])
    assert (figures.n, figures.mean, figures.maximum) == (3, 1.0, 9.0)
