"""A span as a recording of its own: the same rows, figures and alerts as in the original."""

import shutil
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import InputError, OutsideFault
from logger.importing.redecode import redecode_frames
from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.manifest import (
    ClockAnchor,
    LimitsRevision,
    Manifest,
    new_manifest,
    read_manifest,
    write_manifest,
)
from logger.store.parts.part import list_parts
from logger.store.reading.reader import RecordingReader
from logger.store.repair.post_request import submit_request
from logger.store.repair.recovery import seal
from logger.store.tools.cut import copy_span, new_cut_folder
from logger.store.writing.bulk_writer import BulkWriter
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.parts import tick_into_parts

S = 1_000_000_000
START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
STREAMS = ("frames", "health", "buses", "derived/joint=shoulder", "derived/joint=elbow")


def _same(original: Recording, cut: Recording, start_ns: int, end_ns: int) -> None:
    """Compare rows exactly and figures to rounding over a span that the cut holds."""
    left, right = RecordingReader(original.path), RecordingReader(cut.path)
    for stream in STREAMS:
        one, other = (
            reader.read_rows(stream, start_ns=start_ns, end_ns=end_ns) for reader in (left, right)
        )
        assert one.equals(other), stream
    for joint in original.joints:
        one, other = (
            rec.read_readings(joint, start_ns, end_ns, lead_in=False) for rec in (original, cut)
        )
        np.testing.assert_array_equal(one.time_ns, other.time_ns)
        np.testing.assert_array_equal(one.position_segment, other.position_segment)
        for channel in original.channels(joint):
            np.testing.assert_array_equal(one.columns[channel], other.columns[channel])
            wanted, found = (
                span_statistics(rec, joint, channel, start_ns, end_ns) for rec in (original, cut)
            )
            assert found.n == wanted.n
            assert (found.minimum, found.maximum) == (wanted.minimum, wanted.maximum) or not (
                wanted.n or wanted.duration_s
            )
            np.testing.assert_allclose(
                [found.duration_s, found.mean, found.rms],
                [wanted.duration_s, wanted.mean, wanted.rms],
                rtol=1e-9,
                atol=1e-12,
            )


@settings(
    max_examples=12,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.integers(0, 1700 * S),
    st.integers(1 * S, 600 * S),
    st.sampled_from([500, 4000, 10**6]),
)
def test_any_span_says_what_the_original_says(
    tmp_path: Path, overheat: Recording, at_ns: int, length_ns: int, part_rows: int
):
    """Rows to the last bit, figures to rounding, in whole seconds or not, whatever the parts."""
    begin, end = overheat.start_ns + at_ns, overheat.start_ns + at_ns + length_ns
    out = tmp_path / "cut"
    shutil.rmtree(out, ignore_errors=True)
    made = copy_span(overheat.path, out=out, start_ns=begin, end_ns=end, part_rows=part_rows)
    end = min(end, overheat.end_ns)
    cut = Recording.open(out)
    assert (cut.start_ns, cut.end_ns) == (made.start_ns, made.end_ns) == (begin, end)
    _same(overheat, cut, begin, end)
    middle = begin + (end - begin) // 3
    _same(overheat, cut, middle, end)
    assert check_recording(cut).is_complete
    assert check_recording(cut).gaps == ()
    assert [path.name for path in tmp_path.iterdir()] == ["cut"]


def test_it_is_a_recording_like_any_other(tmp_path: Path, overheat: Recording):
    """Bench and limits verbatim, its origin told, decoded again, noted in, cut once more."""
    begin, end = overheat.start_ns + 100 * S, overheat.start_ns + 700 * S
    made = copy_span(overheat.path, out=tmp_path / "one", start_ns=begin, end_ns=end, name="One")
    manifest, old = read_manifest(made.path), overheat.manifest
    assert (manifest.bench, manifest.layouts) == (old.bench, old.layouts)
    assert (manifest.limits, manifest.clock, manifest.note) == (old.limits, old.clock, old.note)
    assert (manifest.name, made.name) == ("One", "One")
    (origin,) = manifest.cut_from
    assert (origin.recording, origin.name) == (overheat.path.name, overheat.name)
    assert (origin.from_ns, origin.to_ns) == (begin, end)

    again = redecode_frames(made.path, bench=overheat.bench, out=tmp_path / "again")
    assert again.frames == made.frames
    assert again.undecoded == 0
    left, right = Recording.open(made.path), Recording.open(again.path)
    for joint in left.joints:
        one, other = (rec.read_readings(joint, begin, end) for rec in (left, right))
        np.testing.assert_array_equal(one.columns["torque_Nm"], other.columns["torque_Nm"])
    submit_request(made.path, kind="note", text="sent on")
    assert check_recording(Recording.open(made.path)).is_complete

    inner = copy_span(made.path, out=tmp_path / "two", start_ns=begin + 50 * S, end_ns=end - 50 * S)
    _same(overheat, Recording.open(inner.path), inner.start_ns, inner.end_ns)
    assert [one.name for one in read_manifest(inner.path).cut_from] == ["Overheat", "One"]
    assert read_manifest(inner.path).name == "One, cut out"


def test_the_whole_of_it_says_the_same(tmp_path: Path, overheat: Recording):
    """Without a span it is a copy: the same events, excursions and gaps."""
    cut = Recording.open(copy_span(overheat.path, out=tmp_path / "cut").path)
    _same(overheat, cut, overheat.start_ns, overheat.end_ns)
    assert find_excursions(cut) == find_excursions(overheat)
    assert cut.read_alerts() == overheat.read_alerts()
    assert [event.kind for event in cut.read_events()] == [
        event.kind for event in overheat.read_events()
    ]


def test_an_alert_that_stands_where_it_begins(tmp_path: Path, overheat: Recording):
    """It comes along with the time at which it was raised, and returns when it did."""
    alert = next(one for one in overheat.read_alerts() if one.returned_ns)
    begin = (alert.raised_ns + alert.returned_ns) // 2
    made = copy_span(
        overheat.path, out=tmp_path / "cut", start_ns=begin, end_ns=alert.returned_ns + S
    )
    assert made.open_alerts >= 1
    cut = Recording.open(made.path)
    found = next(one for one in cut.read_alerts() if one.number == alert.number)
    assert found == alert
    assert found.raised_ns < cut.start_ns
    events = cut.read_events()
    assert [event.sequence for event in events] == list(range(1, len(events) + 1))
    assert "Cut out of Overheat (overheat)" in next(e.text for e in events if e.kind == "started")
    assert events[-1].kind == "ended"
    assert "goes on" in events[-1].text


def _manifest() -> Manifest:
    clock = ClockAnchor(boottime_ns=0, wall_ns=START_NS)
    return new_manifest(BENCH, name="t", started_ns=START_NS).model_copy(update={"clock": clock})


def _readings(first: int, count: int) -> ReadingBatch:
    return ReadingBatch(
        joint="elbow",
        time_ns=START_NS + (first + np.arange(count)) * 10_000_000,
        position_segment=np.full(count, -1, np.int32),
        columns={"temperature_housing_degC": 40.0 + np.arange(first, first + count) % 7},
    )


def test_a_live_recording_up_to_now(tmp_path: Path):
    """What is there so far, journal and all; the original is not touched and goes on."""
    path = tmp_path / "live"
    writer = RecordingWriter(path, _manifest(), BENCH, now_s=0.0)
    writer.append_readings(_readings(0, 500))
    tick_into_parts(writer, 10.0)
    writer.append_readings(_readings(500, 250))
    writer.tick(11.0)
    before = sorted(p.name for p in path.rglob("*"))
    made = copy_span(path, start_ns=START_NS + S)
    assert made.readings == {"shoulder": 0, "elbow": 650}
    assert made.path.parent == tmp_path
    assert sorted(p.name for p in path.rglob("*")) == before
    cut = Recording.open(made.path)
    assert check_recording(cut).missing == ()
    assert cut.end_ns == START_NS + 7_490_000_001
    assert cut.read_events()[-1].text == "The cut ends. Its recording goes on."
    writer.append_readings(_readings(750, 50))
    writer.close(ended_ns=START_NS + 8 * S, cause="end")
    assert check_recording(Recording.open(path)).is_complete


def test_a_crashed_recording_says_so_in_its_cut(tmp_path: Path):
    """What the recorder lost at its end is lost in the cut that reaches there, not in another."""
    path = tmp_path / "crashed"
    writer = RecordingWriter(path, _manifest(), BENCH, now_s=0.0)
    writer.append_readings(_readings(0, 500))
    writer.tick(1.0)
    writer.abandon()
    for sealed in (False, True):
        if sealed:
            seal(path)
        end = Recording.open(copy_span(path, out=tmp_path / f"end-{sealed}").path)
        assert "ended without closing" in check_recording(end).missing[0]
        made = copy_span(path, out=tmp_path / f"early-{sealed}", end_ns=START_NS + S)
        assert check_recording(Recording.open(made.path)).is_complete


@pytest.mark.parametrize("into_s", [0.05, 2.0, 4.9])
def test_a_gap_over_the_beginning(tmp_path: Path, into_s: float):
    """It is a gap of the cut, from its beginning on, and its figures hold as long as they held."""
    path = tmp_path / "rec"
    writer = BulkWriter(path, _manifest(), BENCH)
    writer.append_readings(_readings(0, 500))
    writer.append_readings(_readings(1000, 500))
    writer.close(ended_ns=START_NS + 15 * S, cause="end")
    begin = START_NS + 4_990_000_000 + round(into_s * S)
    cut = Recording.open(copy_span(path, out=tmp_path / "cut", start_ns=begin).path)
    gap = (begin, START_NS + 10 * S)
    limit_s = 0.3
    assert cut.read_gaps("elbow") == ([gap] if into_s < 10.0 - 4.99 - limit_s else [])
    wanted, found = (
        span_statistics(rec, "elbow", "temperature_housing_degC", begin, START_NS + 15 * S)
        for rec in (Recording.open(path), cut)
    )
    assert found == wanted


def _three_parts(path: Path) -> None:
    writer = BulkWriter(path, _manifest(), BENCH, part_rows=1000)
    for index in range(3):
        writer.append_readings(_readings(index * 1000, 1000))
        writer.tick()
    writer.close(ended_ns=START_NS + 30 * S, cause="end")


@pytest.mark.parametrize("how", ["footer", "rows", "gone"])
def test_a_damaged_part_costs_itself(tmp_path: Path, how: str):
    """The rest is taken, which part is said, in the answer and for good; elsewhere it is whole."""
    path = tmp_path / "rec"
    _three_parts(path)
    part = list_parts(path / "status" / "joint=elbow")[1].path
    if how == "gone":
        part.unlink()
    else:
        content = bytearray(part.read_bytes())
        content[len(content) - 20 if how == "footer" else 60] ^= 0xFF
        part.write_bytes(content)
    made = copy_span(path, out=tmp_path / "cut")
    assert made.readings["elbow"] == 2000
    assert len(made.missing) == 1
    assert (part.name if how != "gone" else "rows 1000 to 1999") in made.missing[0]
    found = check_recording(Recording.open(made.path))
    assert not found.is_complete
    assert made.missing[0] in found.missing[0]
    early = copy_span(path, out=tmp_path / "early", end_ns=START_NS + 9 * S)
    assert early.missing == ()
    assert check_recording(Recording.open(early.path)).is_complete
    with pytest.raises(InputError, match="found no frame and no reading"):
        copy_span(path, out=tmp_path / "x", start_ns=START_NS + 12 * S, end_ns=START_NS + 13 * S)
    assert not (tmp_path / "x").exists()


def test_limits_that_were_in_force(tmp_path: Path, overheat: Recording):
    """Those of the beginning come first, those taken over within the span later, others never."""
    path = tmp_path / "rec"
    shutil.copytree(overheat.path, path)
    manifest = read_manifest(path)
    taken = [
        {"from_ns": overheat.start_ns + at * S, "text": manifest.limits + f"\n# {at}\n"}
        for at in (100, 200, 300)
    ]
    write_manifest(
        path,
        manifest.model_copy(
            update={"limits_taken": tuple(map(LimitsRevision.model_validate, taken))}
        ),
    )
    made = copy_span(path, start_ns=overheat.start_ns + 150 * S, end_ns=overheat.start_ns + 250 * S)
    found = read_manifest(made.path)
    assert found.limits.endswith("# 100\n")
    assert [one.text[-6:] for one in found.limits_taken] == ["# 200\n"]


def test_what_cannot_be_cut(tmp_path: Path, overheat: Recording):
    """A span that lies outside, one of nothing, a folder that is there: one sentence, no folder."""
    begin = overheat.start_ns
    for span, words in [
        ({"start_ns": begin + 5 * S, "end_ns": begin + 5 * S}, "The span is empty"),
        ({"start_ns": begin + 9999 * S}, "it holds 2026-"),
        ({"end_ns": begin - S}, "expected one within the recording"),
        ({"start_ns": begin - 9 * S, "end_ns": begin}, "expected one within the recording"),
    ]:
        with pytest.raises(InputError, match=words):
            copy_span(overheat.path, out=tmp_path / "cut", **span)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(InputError, match="lies within the recording"):
        copy_span(overheat.path, out=overheat.path / "cut")
    (tmp_path / "there").mkdir()
    with pytest.raises(InputError, match="already exists"):
        copy_span(overheat.path, out=tmp_path / "there")
    stop = threading.Event()
    stop.set()
    with pytest.raises(OutsideFault, match="stopped"):
        copy_span(overheat.path, out=tmp_path / "cut", stop=stop)
    assert [path.name for path in tmp_path.iterdir()] == ["there"]


def test_a_folder_gets_a_name_of_its_own(tmp_path: Path):
    """By its beginning and its name; a second one of the same span counts on."""
    first = new_cut_folder(tmp_path, START_NS, "Fan off, 9 N·m")
    assert first.name == "20261118T110640Z-fan-off-9-n-m"
    first.mkdir()
    assert new_cut_folder(tmp_path, START_NS, "Fan off, 9 N·m").name == f"{first.name}-2"
