"""Windows: every bucket as plain loops give it, lines that leave nothing out and stay small."""

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording
from replay.window import read_envelope, read_polyline
from tests.support.parts import SEALED_HERE, tick_into_parts

S = 1_000_000_000
START_NS = 1_795_000_000 * S
HOLD_NS = S // 2
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "s"
identifier = 1
length = 4
hold_s = 0.5
[[frame.value]]
channel = "torque_Nm"
byte = 0
bits = 32
"""

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def _recorded(
    path: Path, time_ns: Ints, value: Floats, *, parts: int, hold_s: float = 0.5
) -> Recording:
    """Record a trace: its first two thirds in so many parts, the rest in the journal."""
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
        {"l": LAYOUT.replace("hold_s = 0.5", f"hold_s = {hold_s}")},
        where="bench.toml",
    )
    manifest = new_manifest(bench, name="t", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, bench, now_s=0.0, flush_policy=SEALED_HERE)
    edges = np.linspace(0, 2 * len(time_ns) // 3, parts + 1).astype(int).tolist()
    for number, (low, high) in enumerate(
        zip(edges, [*edges[1:], len(time_ns)], strict=True), start=1
    ):
        writer.append_readings(
            ReadingBatch(
                joint="a",
                time_ns=time_ns[low:high],
                position_segment=np.full(high - low, -1, np.int32),
                columns={"torque_Nm": value[low:high]},
            )
        )
        if number <= parts:
            tick_into_parts(writer, number * 5000.0)
    writer._journal.flush()
    recording = Recording.open(path)
    writer.abandon()
    return recording


def _bucket(
    time_ns: Ints, value: Floats, until_ns: int, low: int, high: int
) -> tuple[int, float, float, float, float, float]:
    """Return n, minimum, maximum, mean, first and last of one bucket, in a loop."""
    n, weights, seen = 0, [], []
    for index, at in enumerate(time_ns.tolist()):
        following = int(time_ns[index + 1]) if index + 1 < len(time_ns) else until_ns
        held_ns = min(following, at + HOLD_NS, high) - max(at, low)
        if low <= at < high or held_ns > 0:
            n += low <= at < high
            seen.append(float(value[index]))
            weights.append(max(held_ns, 0))
    if not seen:
        return 0, math.nan, math.nan, math.nan, math.nan, math.nan
    total = sum(weights)
    mean = (
        math.fsum(w * v for w, v in zip(weights, seen, strict=True)) / total
        if total
        else math.fsum(seen) / len(seen)
    )
    return n, min(seen), max(seen), mean, seen[0], seen[-1]


@pytest.mark.parametrize("parts", [0, 3])
@pytest.mark.parametrize(("span_s", "bins"), [(0.9, 9), (6.0, 40), (25.0, 25), (60.0, 7)])
def test_every_bucket_is_what_plain_loops_give(
    tmp_path: Path, parts: int, span_s: float, bins: int
):
    """Narrower than a second from rows, wider from the pyramid: the same meaning, NaN in gaps."""
    dice = np.random.default_rng(int(span_s))
    steps = dice.choice([0, 2_000_000, 120_000_000, 400_000_000, 4 * S], 300, p=[
        0.05, 0.35, 0.4, 0.17, 0.03])  # fmt: skip
    time_ns = START_NS + np.cumsum(steps)
    value = dice.normal(0, 9, len(time_ns))
    recording = _recorded(tmp_path / "rec", time_ns, value, parts=parts)
    for low in (START_NS - S, START_NS + 3 * S + 777, int(time_ns[190]), int(time_ns[-1]) - S):
        shape = read_envelope(recording, "a", "torque_Nm", low, low + int(span_s * S), bins=bins)
        assert len(shape) <= bins + 1
        assert shape.start_ns[0] <= low
        assert shape.start_ns[-1] + shape.width_ns >= low + int(span_s * S)
        for at, start_ns in enumerate(shape.start_ns.tolist()):
            n, *expected = _bucket(
                time_ns, value, recording.end_ns, start_ns, start_ns + shape.width_ns
            )
            found = [
                getattr(shape, name)[at] for name in ("minimum", "maximum", "mean", "first", "last")
            ]
            assert shape.n[at] == n
            assert found == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("period_ms", [10, 100, 5000])
@pytest.mark.parametrize("bins", [8, 100])
def test_a_line_stays_small(tmp_path: Path, period_ms: int, bins: int):
    """At most 3 * bins + 4 points, also where every single reading stands between two gaps."""
    time_ns = START_NS + period_ms * 1_000_000 * np.arange(600)
    value = np.cos(np.arange(600.0))
    recording = _recorded(tmp_path / "rec", time_ns, value, parts=2, hold_s=0.05)
    for readings in (2, bins, 2 * bins, 2 * bins + 1, 600):
        end_ns = START_NS + min(readings, 600) * period_ms * 1_000_000
        x, y = read_polyline(recording, "a", "torque_Nm", START_NS, end_ns, bins=bins)
        inside = value[time_ns < end_ns]
        assert len(x) <= 3 * bins + 4
        assert (np.diff(x) >= 0).all()
        assert np.nanmax(y) >= inside.max()
        assert np.nanmin(y) <= inside.min()


def test_a_window_between_two_readings_shows_the_line(tmp_path: Path):
    """Zoomed in until no reading is left: the line runs through, from the one to the next."""
    time_ns = START_NS + S // 10 * 4 * np.arange(20)
    recording = _recorded(tmp_path / "rec", time_ns, np.arange(20.0), parts=2)
    low = int(time_ns[7])
    x, y = read_polyline(recording, "a", "torque_Nm", low + 1_000_000, low + 300_000_000, bins=500)
    assert x[-2:].tolist() == time_ns[[7, 8]].tolist()
    assert y[-2:].tolist() == [7.0, 8.0]
    # Where a hold has ended the line does not run on.
    late = time_ns.copy()
    late[8:] += S
    recording = _recorded(tmp_path / "gap", late, np.arange(20.0), parts=2)
    x, y = read_polyline(recording, "a", "torque_Nm", low + 1_000_000, low + 300_000_000, bins=500)
    assert x[-1] == low
    assert y[-1] == 7.0


def test_a_window_of_no_length_is_empty_and_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """As of a logger that has stopped: what is held into it is not divided into microseconds."""
    time_ns = START_NS + np.arange(50) * S // 10
    recording = _recorded(tmp_path / "rec", time_ns, np.arange(50.0), parts=1)

    def never(*_: object, **__: object) -> None:
        pytest.fail("rows were divided for a window of no length")

    monkeypatch.setattr("replay.window.to_buckets", never)
    at_ns = START_NS + 3 * S
    assert len(read_envelope(recording, "a", "torque_Nm", at_ns, at_ns, bins=0)) == 0
