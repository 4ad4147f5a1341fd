"""The pyramid's finest level: it tells what the rows tell, and without it nothing is lost."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench, SensorSettings, bench_from_texts
from logger.joint.time_weighted import to_buckets
from logger.store.layout.manifest import new_manifest
from logger.store.parts.part import list_parts
from logger.store.pyramid.seconds import BASE_NS
from logger.store.pyramid.tenths import TENTH_NS, wants_tenths
from logger.store.pyramid.upper import upper_level_stream
from logger.store.repair.recovery import seal
from logger.store.tools.add_sensor import add_sensor
from logger.store.tools.cut import copy_span
from logger.store.tools.pack import write_tar
from logger.store.tools.unpack import extract_recording
from logger.store.writing.bulk_writer import BulkWriter
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.recording import Recording
from replay.window import bin_width_ns, read_envelope, read_polyline
from tests.support.parts import SEALED_HERE, tick_into_parts

START_NS = 1_795_000_000_000_000_000
MS = 1_000_000
TORQUE, HOUSING = "torque_Nm", "temperature_housing_degC"
LAYOUT = f"""
format = 1
name = "l"
[[frame]]
name = "fast"
identifier = 1
length = 4
hold_s = 0.25
[[frame.value]]
channel = "{TORQUE}"
byte = 0
bits = 16
[[frame]]
name = "slow"
identifier = 2
length = 4
hold_s = 1.7
[[frame.value]]
channel = "{HOUSING}"
byte = 0
bits = 16
"""
BENCH: Bench = bench_from_texts(
    '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
    {"l": LAYOUT},
    where="bench.toml",
)


def _trace(dice: np.random.Generator, n: int) -> ReadingBatch:
    """Return n rows of 1 kHz and, in places, of 20 Hz; now and then a gap, several at once."""
    steps = dice.choice(
        [0, MS, 2 * MS, 180 * MS, 3000 * MS], n, p=[0.02, 0.94, 0.036, 0.003, 0.001]
    )
    slow = int(dice.integers(0, n))
    steps[slow : slow + int(dice.choice([0, 40, 400]))] = 50 * MS
    speaks = dice.random(n) < dice.choice([0.02, 0.5])
    torque = dice.normal(1e5, 30.0, n) * dice.choice([1.0, 1e-5])
    return ReadingBatch(
        joint="a",
        time_ns=START_NS + 7 + np.cumsum(steps),
        position_segment=np.full(n, -1, np.int32),
        columns={
            TORQUE: np.where(speaks, np.nan, torque),
            HOUSING: np.where(speaks, np.round(20 + 5 * dice.random(n), 1), np.nan),
        },
    )


def _recorded(path: Path, rows: ReadingBatch, cuts: list[int], *, end: bool = True) -> Recording:
    rhythm = replace(SEALED_HERE, first_part_s=1e9, max_part_s=1e9, max_rows=1)
    manifest = new_manifest(BENCH, name="fine", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=rhythm)
    for first, behind in zip([0, *cuts], [*cuts, len(rows)], strict=True):
        if behind > first:
            writer.append_readings(rows.select_rows(slice(first, behind)))
            if end or behind < len(rows):
                tick_into_parts(writer, float(behind))
    if end:
        writer.close(ended_ns=int(rows.time_ns[-1]) + BASE_NS // 3, cause="done")
    else:
        writer.abandon()
    return Recording.open(path)


def _fine(path: Path, joint: str = "a") -> dict[str, bytes]:
    folder = path / upper_level_stream(joint, TENTH_NS)
    return {part.path.name: part.path.read_bytes() for part in list_parts(folder)}


def _is_what_the_rows_tell(
    recording: Recording, rows: ReadingBatch, low: int, high: int, bins: int
) -> None:
    for channel in (TORQUE, HOUSING):
        time_ns, value = rows.channel_series(channel)
        shape = read_envelope(recording, "a", channel, low, high, bins=bins)
        expected = to_buckets(
            time_ns,
            value,
            hold_ns=recording.hold_ns("a")[channel],
            width_ns=shape.width_ns,
            until_ns=recording.end_ns,
        ).buckets_within(int(shape.start_ns[0]), int(shape.start_ns[-1]) + shape.width_ns)
        held = ~np.isnan(shape.mean)
        assert shape.start_ns[held].tolist() == expected.start_ns.tolist()
        for exact in ("n", "minimum", "maximum", "first", "last"):
            np.testing.assert_array_equal(getattr(shape, exact)[held], getattr(expected, exact))
        off = np.abs(shape.mean[held] - expected.mean)
        # What a float64 can tell of such a number, and a ten-millionth of the bucket's range.
        room = 1e-7 * (expected.maximum - expected.minimum) + 1e-10 * np.abs(expected.mean)
        assert (off <= room).all()
        assert (shape.mean[held] <= expected.maximum + 1e-10 * np.abs(expected.maximum)).all()
        inside = value[(time_ns >= low) & (time_ns < high)]
        x, y = read_polyline(recording, "a", channel, low, high, bins=bins)
        assert len(x) <= 3 * bins + 4
        if len(inside):
            assert np.nanmin(y) <= inside.min()
            assert np.nanmax(y) >= inside.max()


@settings(
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.integers(0, 2**32 - 1), st.booleans(), st.sampled_from(["whole", "gone", "damaged"]))
def test_any_window_is_what_the_rows_tell(
    tmp_path_factory: pytest.TempPathFactory,
    seed: int,
    end: bool,  # noqa: FBT001 - drawn by hypothesis
    how: str,
):
    """Any trace in any parts, ended or growing, with parts of the level lost: each bucket exactly.

    Extremes, counts, first and last to the last bit, the mean to a ten-millionth of the range.
    """
    dice = np.random.default_rng(seed)
    n = int(dice.integers(50, 6000))
    rows = _trace(dice, n)
    cuts = sorted(dice.integers(0, n, int(dice.integers(0, 12))).tolist())
    path = tmp_path_factory.mktemp("fine") / "rec"
    _recorded(path, rows, cuts, end=end)
    for part in list_parts(path / upper_level_stream("a", TENTH_NS)) if how != "whole" else ():
        if dice.random() < 0.4:
            content = bytearray(part.path.read_bytes())
            content[int(dice.integers(len(content)))] ^= 0xFF
            part.path.unlink() if how == "gone" else part.path.write_bytes(content)
    recording = Recording.open(path)
    assert recording.describe_missing() == () or not end
    for width_ns in (TENTH_NS, 2 * TENTH_NS, 5 * TENTH_NS):
        bins = int(dice.integers(8, 60))
        span_ns = int(width_ns * bins * dice.uniform(0.8, 1.0))
        low = int(dice.integers(START_NS - BASE_NS, recording.end_ns))
        assert bin_width_ns(span_ns, bins=bins) == width_ns
        _is_what_the_rows_tell(recording, rows, low, low + span_ns, bins)


def _kilohertz(n: int, *, first: int = 0) -> ReadingBatch:
    dice = np.random.default_rng(first)
    return ReadingBatch(
        joint="a",
        time_ns=START_NS + (first + np.arange(n)) * MS,
        position_segment=np.full(n, -1, np.int32),
        columns={TORQUE: dice.normal(0, 9, n), HOUSING: np.full(n, 40.0)},
    )


def test_a_slow_joint_pays_nothing(tmp_path: Path):
    """At 500 rows a second nothing is written, at 1,000 it is; a gap in between is no slowness."""
    fast = _kilohertz(5000).time_ns
    assert wants_tenths(fast)
    assert wants_tenths(np.concatenate((fast, fast + 100 * BASE_NS)))
    assert not wants_tenths(fast[::2])
    assert not wants_tenths(fast[:0])
    rows = _kilohertz(5000)
    _recorded(tmp_path / "slow", rows.select_rows(slice(None, None, 10)), [100, 300])
    assert _fine(tmp_path / "slow") == {}
    recording = _recorded(tmp_path / "fast", rows, [1000, 3000])
    names = [f"part-{a:012d}-{b:012d}.parquet" for a, b in ((0, 1000), (1000, 3000), (3000, 5000))]
    assert list(_fine(tmp_path / "fast")) == names
    low, high = START_NS, START_NS + 4 * BASE_NS
    recording.read_rows = None  # The rows are not asked.
    shape = read_envelope(recording, "a", TORQUE, low, high, bins=40)
    assert np.nanmax(shape.maximum) == rows.columns[TORQUE][:4000].max()


@pytest.mark.parametrize("how", ["gone", "cut", "flipped"])
def test_sealing_makes_it_anew(tmp_path: Path, how: str):
    """A part of it that is lost: byte for byte as it was, no row is missing; then nothing."""
    path = tmp_path / "rec"
    _recorded(path, _kilohertz(5000), [1000, 3000])
    before = _fine(path)
    part = list_parts(path / upper_level_stream("a", TENTH_NS))[1].path
    content = bytearray(part.read_bytes())
    content[len(content) // 3] ^= 0xFF
    if how == "gone":
        part.unlink()
    else:
        part.write_bytes(content if how == "flipped" else content[:-1])
    assert check_recording(Recording.open(path)).is_complete
    assert seal(path)
    assert _fine(path) == before
    assert not seal(path)


def test_a_recording_of_before_stays_as_it_was(tmp_path: Path):
    """One without the level opens, is as right, and sealing leaves it so: a day would take long."""
    path = tmp_path / "rec"
    rows = _kilohertz(5000)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("logger.store.pyramid.tenths.wants_tenths", lambda _times: False)
        _recorded(path, rows, [1000, 3000])
    assert not (path / upper_level_stream("a", TENTH_NS)).exists()
    assert not seal(path)
    _is_what_the_rows_tell(Recording.open(path), rows, START_NS + 1, START_NS + 3 * BASE_NS, 30)


def test_a_crash_seals_it_too(tmp_path: Path):
    """Rows that a crash left in the journal become parts with the level."""
    path = tmp_path / "rec"
    rows = _kilohertz(5000)
    _recorded(path, rows, [1000, 3000], end=False)
    assert len(_fine(path)) == 2
    assert seal(path)
    assert len(_fine(path)) == 3
    _is_what_the_rows_tell(Recording.open(path), rows, START_NS + 1, START_NS + 5 * BASE_NS, 50)


def test_what_is_made_of_a_recording_has_it(tmp_path: Path):
    """Cut out, packed and unpacked, and a fast sensor that joins."""
    path = tmp_path / "rec"
    manifest = new_manifest(BENCH, name="fine", started_ns=START_NS)
    writer = BulkWriter(path, manifest, BENCH, part_rows=3000)
    for first in range(0, 9000, 1000):
        writer.append_readings(_kilohertz(1000, first=first))
        writer.tick()
    writer.close(ended_ns=START_NS + 9 * BASE_NS, cause="done")
    assert len(_fine(path)) == 3
    copy_span(
        path, out=tmp_path / "cut", start_ns=START_NS + BASE_NS, end_ns=START_NS + 6 * BASE_NS
    )
    assert _fine(tmp_path / "cut")
    write_tar(path, tmp_path / "rec.tar")
    assert _fine(extract_recording(tmp_path / "rec.tar", tmp_path / "back")) == _fine(path)
    sensor = SensorSettings(name="cell", channels=(TORQUE,), hold_s=0.1)
    add_sensor(path, sensor, [replace(_kilohertz(5000), joint="cell")])
    assert len(_fine(path, "cell")) == 1
