"""RMS torque of duty cycles: time-weighted, from bytes on the bus to the figure of a span.

The figures were worked out outside this project. The formula, X_rms = sqrt(sum(X^2 t) / sum(t))
with the rest included, is a handbook formula quoted from memory; no standard was opened for it.
"""

from pathlib import Path

import numpy as np
import pytest

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet
from replay.recording import Recording
from replay.statistics import span_statistics
from replay.window import read_envelope, read_polyline

S = 1_000_000_000
START_NS = 1_795_000_000 * S
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "s"
identifier = 1
length = 2
hold_s = 0.5
[[frame.value]]
channel = "torque_Nm"
byte = 0
bits = 16
signed = true
scale = 0.01
"""
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
    {"l": LAYOUT},
    where="bench.toml",
)

Cycle = list[tuple[float, float, int]]
"""Torque in N.m, for how many seconds, reported how often a second."""


def _recorded(path: Path, cycle: Cycle, *, times: int) -> Recording:
    frames, at_ns = [], START_NS
    for _ in range(times):
        for torque_Nm, span_s, rate_Hz in cycle:  # noqa: N806 - the unit's own spelling
            payload = round(torque_Nm * 100).to_bytes(2, "little", signed=True)
            count = round(span_s * rate_Hz)
            frames += [(at_ns + round(i * S / rate_Hz), 1, 0, payload) for i in range(count)]
            at_ns += round(span_s * S)
    whole = FrameBatch.from_rows(frames)
    third = len(whole) // 3
    import_frames(
        [whole.select_rows(rows) for rows in (slice(0, third), slice(third, None))],
        bench=BENCH,
        limits=LimitSet(),
        out=path,
        name="t",
        start_ns=START_NS,
        end_ns=at_ns,
    )
    return Recording.open(path)


@pytest.mark.parametrize(
    ("cycle", "rms_Nm"),
    [
        # By sample it would be 11.9: the joint reports a hundred times as often under load.
        ([(12.0, 4.0, 1000), (0.0, 6.0, 10)], 7.58946638),
        ([(30.0, 0.5, 100), (10.0, 2.0, 50), (-25.0, 0.4, 100), (0.0, 1.1, 10)], 15.0000000),
        ([(50.0, 0.2, 1000), (20.0, 1.5, 10), (35.0, 0.3, 100)], 27.0878201),
    ],
)
@pytest.mark.parametrize("times", [1, 7])
def test_rms_of_a_duty_cycle(tmp_path: Path, cycle: Cycle, rms_Nm: float, times: int):  # noqa: N803
    """The same over one cycle and over many, whole or counted from the middle of a second."""
    recording = _recorded(tmp_path / "rec", cycle, times=times)
    found = span_statistics(recording, "a", "torque_Nm", recording.start_ns, recording.end_ns)
    length_s = sum(span_s for _, span_s, _ in cycle)
    assert found.duration_s == pytest.approx(times * length_s, rel=1e-9)
    assert found.rms == pytest.approx(rms_Nm, rel=1e-8)
    if times > 1:
        shifted_ns = START_NS + round(0.3 * length_s * S)
        found = span_statistics(
            recording, "a", "torque_Nm", shifted_ns, shifted_ns + round(length_s * S)
        )
        assert found.rms == pytest.approx(rms_Nm, rel=1e-8)


def test_a_hold_that_is_too_short_is_a_gap(tmp_path: Path):
    """A value does not hold beyond its limit: a rest that says nothing has no weight."""
    recording = _recorded(tmp_path / "rec", [(12.0, 4.0, 1000), (0.0, 6.0, 1)], times=1)
    found = span_statistics(recording, "a", "torque_Nm", recording.start_ns, recording.end_ns)
    assert found.duration_s == pytest.approx(4.0 + 6 * 0.5)
    assert found.rms == pytest.approx(np.sqrt(144 * 4.0 / 7.0), rel=1e-9)
    _, value = read_polyline(recording, "a", "torque_Nm", START_NS, recording.end_ns, bins=5000)
    assert np.isnan(value).sum() == 5
    shape = read_envelope(recording, "a", "torque_Nm", START_NS, recording.end_ns, bins=40)
    assert np.isnan(shape.mean).any()


def test_a_single_peak_is_seen_at_every_zoom(tmp_path: Path):
    """One reading among twenty thousand stands out at any number of bins, over any window."""
    recording = _recorded(
        tmp_path / "rec", [(1.0, 9.999, 1000), (300.0, 0.001, 1000), (1.0, 10.0, 1000)], times=1
    )
    for bins in (1, 2, 3, 10, 100, 1000, 30_000):
        for low_ns in (START_NS, START_NS + 123_456_789, START_NS + 9 * S):
            shape = read_envelope(recording, "a", "torque_Nm", low_ns, recording.end_ns, bins=bins)
            assert np.nanmax(shape.maximum) == 300.0
            _, value = read_polyline(
                recording, "a", "torque_Nm", low_ns, recording.end_ns, bins=bins
            )
            assert np.nanmax(value) == 300.0
            assert len(value) <= 3 * bins + 4


def test_panning_does_not_make_a_peak_shimmer(tmp_path: Path):
    """A bucket that two windows share is the same in both."""
    recording = _recorded(tmp_path / "rec", [(3.0, 2.0, 100), (-8.0, 1.0, 100)], times=5)
    one = read_envelope(recording, "a", "torque_Nm", START_NS, START_NS + 8 * S, bins=400)
    other = read_envelope(
        recording, "a", "torque_Nm", START_NS + 777_000_001, START_NS + 8_777_000_001, bins=400
    )
    assert one.width_ns == other.width_ns
    shared = np.intersect1d(one.start_ns, other.start_ns)[1:-1]
    assert len(shared) > 300
    for name in ("minimum", "maximum", "mean", "first", "last", "n"):
        np.testing.assert_array_equal(
            getattr(one, name)[np.isin(one.start_ns, shared)],
            getattr(other, name)[np.isin(other.start_ns, shared)],
        )
