"""The pyramid's upper levels: equal to the raw rows, for any span, at a cost that is bounded."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.time_weighted import resample_buckets, to_buckets
from logger.simulate import scenario
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.files import overview_stream
from logger.store.layout.manifest import new_manifest, read_manifest
from logger.store.parts import part_file
from logger.store.parts.part import list_parts
from logger.store.parts.part_file import PartFile
from logger.store.pyramid import upper
from logger.store.pyramid.seconds import BASE_NS, gap_limit_ns
from logger.store.pyramid.upper import UPPER_WIDTHS_NS, coarsest_for, upper_level_stream
from logger.store.repair.rebuild_pyramid import rebuild_overviews
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording
from replay.statistics import span_statistics
from replay.window import bin_width_ns, read_envelope
from tests.support.parts import SEALED_HERE, tick_into_parts

START_NS = 1_795_000_000_000_000_000
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\nchannel = "x"\n'
    '[[joint]]\nname = "a"\nlayout = "harvest-joint"\nnode = 3\n'
    'torque = { from = "current", per_ampere = 1.0 }\n',
    {"harvest-joint": scenario.scenario_layout_text()},
    where="bench.toml",
)
CHANNELS = BENCH.channels_of(BENCH.joints[0])
OVERVIEW = overview_stream("a")
TORQUE, HOUSING = "torque_Nm", "temperature_housing_degC"


def _trace(dice: np.random.Generator, n: int) -> ReadingBatch:
    """Return n rows: two rhythms, gaps beyond every hold, nulls, a few segments."""
    steps = dice.choice(
        [0, 1_000_000, 10_000_000, 90_000_000, 400_000_000, 7_000_000_000],
        n,
        p=[0.02, 0.3, 0.4, 0.2, 0.06, 0.02],
    )
    columns = {name: np.full(n, np.nan) for name in CHANNELS}
    columns[TORQUE] = np.where(dice.random(n) < 0.7, dice.normal(0, 30, n), np.nan)
    columns[HOUSING] = np.where(dice.random(n) < 0.2, 20 + 5 * dice.random(n), np.nan)
    # It falls silent for good half-way: what was counted of it is whole.
    columns[HOUSING][n // 2 :] = np.nan
    columns["position_rad"] = np.where(dice.random(n) < 0.5, dice.normal(0, 3, n), np.nan)
    segment = np.where(np.isnan(columns["position_rad"]), -1, np.arange(n) * 3 // n)
    return ReadingBatch(
        joint="a",
        time_ns=START_NS + np.cumsum(steps),
        position_segment=segment.astype(np.int32),
        columns=columns,
    )


def _recorded(path: Path, trace: ReadingBatch, cuts: list[int], *, end: bool) -> Recording:
    rhythm = replace(SEALED_HERE, first_part_s=1e9, max_part_s=1e9, max_rows=1)
    manifest = new_manifest(BENCH, name="levels", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=rhythm)
    for first, behind in zip([0, *cuts], [*cuts, len(trace)], strict=True):
        if behind > first:
            writer.append_readings(trace.select_rows(slice(first, behind)))
            tick_into_parts(writer, float(behind))
    if end:
        writer.close(ended_ns=int(trace.time_ns[-1]) + 3 * BASE_NS, cause="done")
    else:
        writer.abandon()
    return Recording.open(path)


@settings(
    max_examples=6,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_every_level_is_equal_to_the_raw_rows(
    tmp_path_factory: pytest.TempPathFactory,
    seed: int,
    end: bool,  # noqa: FBT001 - drawn by hypothesis
):
    """Any trace in any parts, ended or growing: extremes exactly, mean and RMS to rounding."""
    dice = np.random.default_rng(seed)
    n = int(dice.integers(50, 1500))
    trace = _trace(dice, n)
    parts = int(dice.integers(1, 90))
    cuts = sorted(dice.integers(0, n, parts).tolist())
    path = tmp_path_factory.mktemp("levels") / "rec"
    recording = _recorded(path, trace, cuts, end=end)
    hold_ns = recording.hold_ns("a")
    for channel in (TORQUE, HOUSING, "position_rad"):
        time_ns, value = trace.channel_series(channel)
        base = to_buckets(
            time_ns,
            value,
            hold_ns=hold_ns[channel],
            width_ns=BASE_NS,
            until_ns=recording.end_ns,
        )
        for width_ns in (BASE_NS, *UPPER_WIDTHS_NS, 300 * BASE_NS):
            first_ns = START_NS // width_ns * width_ns
            last_ns = (recording.end_ns // width_ns + 1) * width_ns
            found = recording.read_buckets("a", channel, first_ns, last_ns, width_ns=width_ns)
            expected = resample_buckets(base, width_ns)
            assert found.start_ns.tolist() == expected.start_ns.tolist()
            for exact in ("n", "minimum", "maximum", "first", "last"):
                np.testing.assert_array_equal(getattr(found, exact), getattr(expected, exact))
            np.testing.assert_allclose(found.duration_s, expected.duration_s, rtol=1e-12, atol=1e-9)
            np.testing.assert_allclose(found.mean, expected.mean, rtol=1e-11, atol=1e-11)
            np.testing.assert_allclose(found.m2, expected.m2, rtol=1e-8, atol=1e-6)
        for _ in range(3):
            low, high = sorted(dice.integers(START_NS, recording.end_ns + 1, 2).tolist())
            _span_is_exact(recording, trace, channel, low, high)


def _span_is_exact(
    recording: Recording, trace: ReadingBatch, channel: str, low: int, high: int
) -> None:
    time_ns, value = trace.channel_series(channel)
    hold_ns = recording.hold_ns("a")[channel]
    ends = np.minimum(np.append(time_ns[1:], np.int64(recording.end_ns)), time_ns + hold_ns)
    begins = np.maximum(time_ns, low)
    ends = np.minimum(ends, high)
    held = np.maximum(ends - begins, 0) * 1e-9
    inside = (time_ns >= low) & (time_ns < high)
    kept = inside | (held > 0)
    found = span_statistics(recording, "a", channel, low, high)
    assert found.n == int(inside.sum())
    assert found.duration_s == pytest.approx(held.sum(), abs=1e-8)
    if kept.any():
        assert (found.minimum, found.maximum) == (value[kept].min(), value[kept].max())
    if held.sum() > 0:
        mean = (value * held).sum() / held.sum()
        rms = np.sqrt((value * value * held).sum() / held.sum())
        assert found.mean == pytest.approx(mean, rel=1e-9, abs=1e-9)
        assert found.rms == pytest.approx(rms, rel=1e-9, abs=1e-9)


@pytest.fixture(scope="module")
def long_one(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ReadingBatch]:
    """Give a recording of 700 parts over some eleven hours, and its rows."""
    n = 7000
    dice = np.random.default_rng(3)
    columns = {name: np.full(n, np.nan) for name in CHANNELS}
    columns[TORQUE] = dice.normal(0, 10, n)
    trace = ReadingBatch(
        joint="a",
        time_ns=START_NS + np.arange(n) * 6_000_000_000,
        position_segment=np.full(n, -1, np.int32),
        columns=columns,
    )
    path = tmp_path_factory.mktemp("long") / "rec"
    _recorded(path, trace, list(range(10, n, 10)), end=True)
    return path, trace


@pytest.mark.slow
def test_the_cost_of_a_span_does_not_grow_with_the_parts(long_one: tuple[Path, ReadingBatch]):
    """Of 700 parts a few dozen are opened, for the whole recording and for any span in it."""
    path, trace = long_one
    recording = Recording.open(path)
    reader = recording
    assert len(list_parts(path / overview_stream("a"))) >= 700
    widths = {
        width: len(list_parts(path / upper_level_stream("a", width))) for width in UPPER_WIDTHS_NS
    }
    assert widths == dict(zip(UPPER_WIDTHS_NS, (87, 10, 1, 0), strict=True))
    dice = np.random.default_rng(1)
    spans = [(recording.start_ns, recording.end_ns)]
    spans += [tuple(sorted(dice.integers(*spans[0], 2).tolist())) for _ in range(20)]
    for low, high in spans:
        before = reader.parts_read
        _span_is_exact(recording, trace, TORQUE, low, high)
        assert reader.parts_read - before <= 4 * 2 * 9, "eight a level at each edge, and the whole"
    before = reader.parts_read
    shape = read_envelope(recording, "a", TORQUE, *spans[0], bins=60)
    assert shape.width_ns == bin_width_ns(spans[0][1] - spans[0][0], bins=60) == UPPER_WIDTHS_NS[2]
    assert reader.parts_read - before <= 30
    assert np.nanmax(shape.maximum) == trace.columns[TORQUE].max()


@pytest.mark.slow
def test_a_damaged_upper_part_costs_time_only(long_one: tuple[Path, ReadingBatch]):
    """Its finer parts are read in its place, and nothing is said to be missing."""
    path, trace = long_one
    part = list_parts(path / upper_level_stream("a", UPPER_WIDTHS_NS[1]))[2].path
    whole = part.read_bytes()
    try:
        for content in (b"", whole[: len(whole) // 2], None):
            if content is None:
                part.unlink()
            else:
                part.write_bytes(content)
            recording = Recording.open(path)
            _span_is_exact(recording, trace, TORQUE, recording.start_ns, recording.end_ns)
            assert recording.describe_missing() == ()
    finally:
        part.write_bytes(whole)


def test_what_a_crash_kept_from_being_made_is_made_up(tmp_path: Path):
    """Upper parts that are not there are made by the next sealing."""
    dice = np.random.default_rng(7)
    trace = _trace(dice, 400)
    first = trace.select_rows(slice(0, 300))
    path = tmp_path / "rec"
    _recorded(path, first, list(range(10, 300, 10)), end=True)
    for width_ns in UPPER_WIDTHS_NS:
        for part in list_parts(path / upper_level_stream("a", width_ns)):
            part.path.unlink()
    assert not list_parts(path / upper_level_stream("a", UPPER_WIDTHS_NS[0]))
    from logger.store.pyramid.upper import consolidate_levels  # noqa: PLC0415 - what the next sealing calls

    consolidate_levels(path, "a", recording_id=read_manifest(path).recording_id)
    assert len(list_parts(path / upper_level_stream("a", UPPER_WIDTHS_NS[0]))) == 3
    recording = Recording.open(path)
    nodes = recording._pyramids["a"].nodes
    found = list(
        coarsest_for(
            nodes,
            start_ns=0,
            end_ns=2**62,
            width_ns=UPPER_WIDTHS_NS[0],
            counted_ns=2**62,
        )
    )
    assert len(found) < len(list_parts(path / overview_stream("a")))
    _span_is_exact(recording, first, TORQUE, recording.start_ns, recording.end_ns)


@pytest.fixture(scope="module")
def of_many_parts(tmp_path_factory: pytest.TempPathFactory) -> tuple[Recording, ReadingBatch]:
    """Give 150 parts: two are of 60 s, ten of 5 s, the rest as they were sealed."""
    trace = _trace(np.random.default_rng(11), 600)
    path = tmp_path_factory.mktemp("many") / "rec"
    return _recorded(path, trace, list(range(4, 600, 4)), end=True), trace


def test_opening_opens_no_part_that_another_vouches_for(
    of_many_parts: tuple[Recording, ReadingBatch], monkeypatch: pytest.MonkeyPatch
):
    """Of months it would be tens of thousands; gaps and figures are the same."""
    recording, trace = of_many_parts
    opened: list[str] = []
    read = part_file.read_footer

    def counted(location: Path) -> object:
        if OVERVIEW in str(location):
            opened.append(location.name)
        return read(location)

    monkeypatch.setattr(part_file, "read_footer", counted)
    again = Recording.open(recording.path)
    assert len(list_parts(recording.path / OVERVIEW)) == 151
    assert len(opened) <= 2 + 7 + 8 + 2, "60 s, 5 s, seconds, the newest and the closing one"
    limit_ns = gap_limit_ns(recording.hold_ns("a"))
    steps = np.diff(trace.time_ns)
    gaps = [(int(trace.time_ns[row]), int(trace.time_ns[row + 1])) for row in range(len(steps))]
    beyond = [gap for gap, step in zip(gaps, steps, strict=True) if step > limit_ns]
    assert [gap for gap in again.sealed_gaps("a") if gap in set(beyond)] == beyond
    again.open_overviews("a")
    assert again.sealed_gaps("a") == Recording.open(recording.path).sealed_gaps("a")
    _span_is_exact(again, trace, TORQUE, again.start_ns, again.end_ns)


def test_what_was_damaged_since_it_was_vouched_for_is_read_from_its_rows(
    of_many_parts: tuple[Recording, ReadingBatch], tmp_path: Path
):
    """A footer of the first level, and one of an upper level: no figure changes."""
    recording, trace = of_many_parts
    for name in (OVERVIEW, upper_level_stream("a", UPPER_WIDTHS_NS[0])):
        path = tmp_path / name.replace("/", "-")
        shutil.copytree(recording.path, path)
        part = list_parts(path / name)[3].path
        part.write_bytes(part.read_bytes()[:-20])
        damaged = Recording.open(path)
        for first, last in ((0, 599), (5, 40), (300, 310)):
            start_ns, end_ns = int(trace.time_ns[first]), int(trace.time_ns[last])
            _span_is_exact(damaged, trace, TORQUE, start_ns, end_ns)


def test_months_are_seen_in_few_parts_and_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """The widest level as the narrow ones; looked at again little is read; older ones lack it."""
    monkeypatch.setattr(upper, "PARTS_PER_UPPER", 2)
    monkeypatch.setattr(part_file, "_CHUNK_CACHE", ByteLruCache(max_bytes=0))
    n = 700
    columns = {name: np.full(n, np.nan) for name in CHANNELS}
    columns[TORQUE] = np.random.default_rng(9).normal(0, 10, n)
    trace = ReadingBatch(
        joint="a",
        time_ns=START_NS + np.arange(n) * 60 * BASE_NS,
        position_segment=np.full(n, -1, np.int32),
        columns=columns,
    )
    path = tmp_path / "rec"
    _recorded(path, trace, list(range(20, n, 20)), end=True)
    widest_ns = UPPER_WIDTHS_NS[-1]
    folder = path / upper_level_stream("a", widest_ns)
    counts = [len(list_parts(path / upper_level_stream("a", one))) for one in UPPER_WIDTHS_NS]
    assert counts == [17, 8, 4, 2]
    read = PartFile.read_groups
    places: list[str] = []

    def counted(file: PartFile, *settings: object) -> object:
        places.append(file.location.name)
        return read(file, *settings)

    monkeypatch.setattr(PartFile, "read_groups", counted)

    def looked_at() -> tuple[list[float], int, int]:
        recording = Recording.open(path)
        first_ns = recording.start_ns // widest_ns * widest_ns
        last_ns = (recording.end_ns // widest_ns + 1) * widest_ns
        seen = []
        for _ in range(2):
            places.clear()
            found = recording.read_buckets("a", TORQUE, first_ns, last_ns, width_ns=widest_ns)
            seen.append(len(places))
        assert found.n.sum() == n
        assert found.maximum.max() == trace.columns[TORQUE].max()
        _span_is_exact(recording, trace, TORQUE, recording.start_ns, recording.end_ns)
        return found.mean.tolist(), *seen

    means, first, again = looked_at()
    assert first <= 2 + 3 + 3
    assert again <= 2 + 1, "two of that very width, and the one that the end cuts"
    shutil.rmtree(folder)
    means_before, first_before, _ = looked_at()
    assert means_before == pytest.approx(means)
    assert first_before > first
    manifest = read_manifest(path)
    assert rebuild_overviews(
        path, BENCH, ended_ns=manifest.ended_ns, recording_id=manifest.recording_id
    )
    assert len(list_parts(folder)) == 2
