"""Reading back: no extreme lost, gaps kept, figures exact, excursions as they were raised live."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording
from replay.recordings_folder import find_recordings
from replay.statistics import span_statistics
from replay.window import (
    bin_width_ns,
    gaps_within,
    read_envelope,
    read_few_bins,
    read_polyline,
    widest_bin_ns,
)
from tests.support.parts import SEALED_HERE, tick_into_parts

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
    {
        "l": 'format = 1\nname = "l"\n[[frame]]\nname = "s"\nidentifier = 1\nlength = 4\n'
        'hold_s = 0.5\n[[frame.value]]\nchannel = "torque_Nm"\nbyte = 0\nbits = 32\n'
    },
    where="bench.toml",
)


def _recorded(path: Path, time_ns: np.ndarray, value: np.ndarray, *, sealed: int) -> Recording:
    """Record a trace: the first `sealed` rows in parts, the rest in the journal."""
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=SEALED_HERE)
    now_s = 0.0
    for rows in (slice(0, sealed // 2), slice(sealed // 2, sealed), slice(sealed, None)):
        batch = ReadingBatch(
            joint="a",
            time_ns=time_ns[rows],
            position_segment=np.full(len(time_ns[rows]), -1, np.int32),
            columns={"torque_Nm": value[rows]},
        )
        writer.append_readings(batch)
        # Each of the first two stretches is sealed before the next is begun.
        now_s += 5000.0 if rows.stop is not None else 0.01
        tick_into_parts(writer, now_s)
    writer._journal.flush()
    recording = Recording.open(path)
    writer.abandon()
    return recording


@st.composite
def _traces(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, int]:
    n = draw(st.integers(2, 300))
    seed = draw(st.integers(0, 2**31))
    dice = np.random.default_rng(seed)
    steps = dice.choice([1_000_000, 10_000_000, 90_000_000, 400_000_000, 3 * S], n)
    value = np.round(dice.normal(0, 5, n), 2)
    value[dice.integers(0, n)] = 99.0
    return START_NS + np.cumsum(steps), value, draw(st.integers(0, n))


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(_traces(), st.data())
def test_no_extreme_is_lost_and_figures_are_exact(tmp_path_factory, made, data: st.DataObject):
    """In parts and journal alike: envelope, polyline and figures of any span hold the raw rows."""
    time_ns, value, sealed = made
    path = tmp_path_factory.mktemp("r") / "rec"
    recording = _recorded(path, time_ns, value, sealed=sealed)
    low = data.draw(st.integers(START_NS, int(time_ns[-1])))
    high = data.draw(st.integers(low + 1, int(time_ns[-1]) + S))
    bins = data.draw(st.sampled_from([1, 7, 60, 1200]))
    inside = value[(time_ns >= low) & (time_ns < high)]

    shape = read_envelope(recording, "a", "torque_Nm", low, high, bins=bins)
    assert len(shape) <= bins + 2
    assert shape.start_ns[0] % shape.width_ns == 0
    if len(inside):
        assert np.nanmax(shape.maximum) >= inside.max()
        assert np.nanmin(shape.minimum) <= inside.min()
    reach = (time_ns >= shape.start_ns[0]) & (time_ns < shape.start_ns[-1] + shape.width_ns)
    assert shape.n.sum() == reach.sum()

    x, y = read_polyline(recording, "a", "torque_Nm", low, high, bins=bins)
    assert len(x) <= 3 * bins + 4
    assert (np.diff(x) >= 0).all()
    if len(inside):
        assert np.nanmax(y) >= inside.max()
        assert np.nanmin(y) <= inside.min()

    ends = np.minimum(np.append(time_ns[1:], recording.end_ns), time_ns + S // 2)
    weight = np.clip(np.minimum(ends, high) - np.maximum(time_ns, low), 0, None) * 1e-9
    found = span_statistics(recording, "a", "torque_Nm", low, min(high, recording.end_ns))
    assert found.n == len(inside)
    assert found.duration_s == pytest.approx(weight.sum(), abs=1e-9)
    if weight.sum() > 0:
        mean = (weight * value).sum() / weight.sum()
        rms = np.sqrt((weight * value**2).sum() / weight.sum())
        assert found.mean == pytest.approx(mean, rel=1e-9, abs=1e-9)
        assert found.rms == pytest.approx(rms, rel=1e-9, abs=1e-9)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(_traces(), st.data())
def test_few_bins_are_those_of_an_envelope(tmp_path_factory, made, data: st.DataObject):
    """Row by row the same as from buckets: extremes, first value, mean; nothing in a gap."""
    time_ns, value, sealed = made
    path = tmp_path_factory.mktemp("r") / "rec"
    recording = _recorded(path, time_ns, value, sealed=sealed)
    width_ns = data.draw(st.sampled_from([10_000_000, 100_000_000, 500_000_000, S, 5 * S]))
    count = data.draw(st.integers(1, 6))
    span_bins = max(0, (recording.end_ns - START_NS) // width_ns - count)
    first = START_NS // width_ns + data.draw(st.integers(0, span_bins))
    edges = [(first + row) * width_ns for row in range(count + 1)]
    assume(edges[-1] <= recording.end_ns)
    few = read_few_bins(recording, "a", ["torque_Nm", "torque_Nm"], edges)
    whole = read_envelope(recording, "a", "torque_Nm", edges[0], edges[-1], bins=count)
    assert whole.width_ns == width_ns
    for name in ("minimum", "maximum", "first", "mean"):
        for column in range(2):
            np.testing.assert_allclose(
                getattr(few, name)[:, column], getattr(whole, name), rtol=1e-6, atol=1e-6
            )


@given(st.integers(1, 10**16), st.integers(1, 5000))
def test_a_fine_bin_is_no_wider_than_asked(span_ns: int, bins: int):
    """At least so many bins, unless none is so narrow, and less than seven times as many."""
    width_ns = widest_bin_ns(span_ns, bins=bins)
    if span_ns >= 1000 * bins:
        assert width_ns * bins <= span_ns
        if width_ns < 7 * 86400 * S:
            assert width_ns * bins * 7 > span_ns


def test_gaps_break_the_line_and_are_told(tmp_path: Path):
    """A silence beyond the hold is a NaN in the polyline, NaN in the envelope, and a gap."""
    time_ns = START_NS + np.concatenate((np.arange(50), 100 + np.arange(50))) * (S // 10)
    recording = _recorded(tmp_path / "rec", time_ns, np.ones(100), sealed=60)
    end = int(time_ns[-1])
    _, y = read_polyline(recording, "a", "torque_Nm", START_NS, end, bins=1200)
    assert np.isnan(y).sum() == 1
    shape = read_envelope(recording, "a", "torque_Nm", START_NS, end, bins=15)
    assert np.isnan(shape.mean).any()
    assert gaps_within(recording, "a", START_NS, end) == [(int(time_ns[49]), int(time_ns[50]))]
    assert gaps_within(recording, "a", START_NS, START_NS + S) == []


def test_bins_stand_on_an_absolute_grid():
    """Widths divide a second or are whole seconds, and never need more than the bins allowed."""
    for span in np.geomspace(1e6, 1e15, 200).astype(int).tolist():
        width = bin_width_ns(span, bins=1000)
        assert width * 1000 >= span or width == 604_800 * S
        assert S % width == 0 or width % S == 0


def test_excursions_are_what_was_raised_live(overheat: Recording):
    """The same limits over the same rows: as many, at the same instants, with the same names."""
    found = find_excursions(overheat)
    raised = [event for event in overheat.read_events() if event.kind == "raised"]
    assert [(one.joint, one.limit, one.start_ns) for one in found] == [
        (event.joint, event.limit, event.time_ns)
        for event in sorted(raised, key=lambda event: (event.time_ns, event.joint, event.limit))
    ]
    hot = [one for one in found if one.limit == "housing-hot"]
    assert len(hot) == 1
    assert hot[0].severity == "trip"
    assert hot[0].peak >= 80
    assert set(hot[0].rms_torque_Nm) == {60, 300, 900}
    assert 5 < hot[0].rms_torque_Nm[60] < 15


def test_other_limits_can_be_tried(overheat: Recording):
    """A limit that was not in force is judged on the same rows."""
    text = (
        'format = 1\n[[limit]]\nname = "early"\nkind = "level"\nseverity = "warning"\n'
        'channel = "temperature_housing_degC"\nabove = 60.0\n'
    )
    found = find_excursions(overheat, parse_limits(text, "x"))
    assert {one.limit for one in found} == {"early"}
    assert find_excursions(overheat, parse_limits("format = 1", "x")) == []


def test_a_whole_recording_is_whole(overheat: Recording):
    """Closed in order: nothing missing, no gap, every row there."""
    found = check_recording(overheat)
    assert found.is_complete
    assert not found.live
    assert found.gaps == ()
    assert found.frames == sum(found.rows.values())


def test_the_shelf_lists_the_broken_ones(tmp_path: Path):
    """A folder with an unreadable manifest is listed with what is wrong; others are passed over."""
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "recording.json").write_text("{", encoding="utf-8")
    (tmp_path / "other").mkdir()
    found = find_recordings(tmp_path)
    assert [one.path.name for one in found] == ["broken"]
    assert "recording.json" in found[0].fault
    assert find_recordings(tmp_path / "none") == []


def test_a_joint_that_never_spoke_has_one_gap(tmp_path: Path):
    """From the beginning to the end; one that spoke late has a gap before its first frame."""
    time_ns = START_NS + (50 + np.arange(50)) * (S // 10)
    recording = _recorded(tmp_path / "late", time_ns, np.ones(50), sealed=20)
    assert recording.read_gaps("a") == [(START_NS, int(time_ns[0]))]
    empty = np.empty(0)
    recording = _recorded(tmp_path / "never", empty.astype(np.int64), empty, sealed=0)
    assert recording.read_gaps("a") == []
    assert recording.newest_ns("a") is None
    found = span_statistics(recording, "a", "torque_Nm", START_NS, START_NS + S)
    assert (found.n, found.duration_s) == (0, 0.0)
    assert np.isnan(found.rms)
    x, y = read_polyline(recording, "a", "torque_Nm", START_NS, START_NS + S, bins=100)
    assert len(x) == len(y)
    assert np.isnan(y).all()
    assert find_excursions(recording) == []


def test_a_live_tail_reads_as_its_sealed_rows_do(tmp_path: Path):
    """The same trace in journal, half sealed and sealed: the same envelope, line and figures."""
    dice = np.random.default_rng(4)
    time_ns = START_NS + np.cumsum(dice.integers(1, 200_000_000, 900))
    value = dice.normal(0, 9, 900)
    seen = [
        _recorded(tmp_path / str(sealed), time_ns, value, sealed=sealed) for sealed in (0, 450, 900)
    ]
    for span_s in (0.5, 20, 80):
        for bins in (3, 50, 900):
            low, high = START_NS + 333, START_NS + 333 + int(span_s * S)
            shapes = [read_envelope(one, "a", "torque_Nm", low, high, bins=bins) for one in seen]
            for name in ("start_ns", "n", "minimum", "maximum", "first", "last"):
                for shape in shapes[1:]:
                    np.testing.assert_array_equal(getattr(shape, name), getattr(shapes[0], name))
            for shape in shapes[1:]:
                np.testing.assert_allclose(shape.mean, shapes[0].mean, rtol=1e-9, atol=1e-12)
            lines = [read_polyline(one, "a", "torque_Nm", low, high, bins=bins) for one in seen]
            for line in lines[1:]:
                np.testing.assert_array_equal(line[1], lines[0][1])
        figured = [span_statistics(one, "a", "torque_Nm", low, high) for one in seen]
        assert len({one.n for one in figured}) == 1
        assert figured[0].rms == pytest.approx(figured[2].rms, rel=1e-9)
        assert figured[1].mean == pytest.approx(figured[2].mean, rel=1e-9, abs=1e-12)


def test_what_led_up_to_an_excursion(overheat: Recording):
    """RMS torque is that of the whole seconds before, and a note in them is told."""
    hot = next(one for one in find_excursions(overheat) if one.limit == "housing-hot")
    until_ns = hot.start_ns // S * S
    for seconds, rms in hot.rms_torque_Nm.items():
        since_ns = max(until_ns - seconds * S, overheat.start_ns)
        batch = overheat.read_readings(hot.joint, since_ns - S, until_ns)
        time_ns, value = batch.channel_series("torque_Nm")
        hold_ns = overheat.hold_ns(hot.joint)["torque_Nm"]
        ends = np.minimum(np.append(time_ns[1:], until_ns), time_ns + hold_ns)
        weight = np.clip(ends - np.maximum(time_ns, since_ns), 0, None)
        assert rms == pytest.approx(np.sqrt((weight * value**2).sum() / weight.sum()), rel=1e-9)
