"""What happened to buses, and who talked in a span: bounded, and told as it was looked at."""

from pathlib import Path

import pytest

from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.layout.schema import BUS_SCHEMA, table_of_rows
from logger.store.writing.live_writer import RecordingWriter
from logger.traffic.cadence import MessageStats
from replay.bus_events import find_outages, list_bus_events, sample_traffic
from replay.recording import Recording
from tests.support.buses import LENGTH_S, START_NS, S, bench, two_buses
from tests.support.demo_drive import answer_id, motion_answer


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give the recording of two buses, ended."""
    path = tmp_path_factory.mktemp("two") / "rec"
    two_buses(path)
    return Recording.open(path)


def _at(seconds: float) -> int:
    return START_NS + round(seconds * S)


def test_who_talked(two: Recording):
    """Identifiers with their period and jitter, whose they are, and what is not decoded and why."""
    found = sample_traffic(two, _at(20), _at(30))
    assert (found.start_ns, found.end_ns, found.is_truncated) == (_at(20), _at(30), False)
    left, right = found.buses
    said: dict[int, MessageStats] = {one.identifier: one for one in left.messages}
    assert set(said) == {0x283, 0x284, 0x7A1}
    shoulder = said[0x283]
    assert (shoulder.joints, shoulder.frame, shoulder.count) == (("shoulder",), "status", 1000)
    assert shoulder.period_s == pytest.approx(0.01, rel=0.01)
    # Each step is the difference of two stamps that stray by 50 us: 1.96 * sqrt(2) * 50 us.
    assert shoulder.jitter_95_s == pytest.approx(139e-6, rel=0.12)
    assert left.undecoded == {"identifier of no joint": 100, "too short": 20}
    assert right.undecoded == {}
    assert [one.joints for one in right.messages] == [("elbow",)]


def test_hints_hold_for_the_span(two: Recording):
    """A joint whose frames fit no layout is told, error frames are while they last."""
    quiet, noisy = sample_traffic(two, _at(20), _at(30)), sample_traffic(two, _at(58), _at(66))
    assert [text[:18] for text in quiet.hints[0]] == ["Heard, but no fram"]
    assert "15 error frames beside" in noisy.hints[0][0]
    assert noisy.buses[0].error_classes == {"protocol violated": 15}


def test_an_absent_bus_is_not_called_silent(two: Recording):
    """Nobody is told to look at the wiring while the adapter itself was unplugged."""
    found = sample_traffic(two, _at(92), _at(98))
    assert found.buses[1].frames == 0
    assert found.hints[1] == ()
    (away,) = find_outages(two)
    assert (away.bus, away.start_ns, away.end_ns) == (1, _at(90), _at(100))


def test_events_belong_to_their_bus(two: Recording):
    """The sentence names the channel; what names none belongs to all."""
    assert [(one.kind, one.bus) for one in list_bus_events(two)] == [
        ("bus hint", 0), ("bus lost", 1), ("bus back", 1), ("dropped", 0),
    ]  # fmt: skip


@pytest.mark.parametrize("newest", [False, True])
def test_a_sample_is_bounded(two: Recording, newest: bool):  # noqa: FBT001
    """A span that holds too much is cut: at its end, or to the newest."""
    found = sample_traffic(two, _at(0), _at(80), newest=newest, max_frames=2000)
    assert found.is_truncated
    frames = sum(one.frames + one.error_frames for one in found.buses)
    assert 2000 <= frames < 2500
    assert (found.end_ns if newest else found.start_ns) == _at(80 if newest else 0)
    whole = sample_traffic(two, found.start_ns, found.end_ns)
    assert [one.frames for one in whole.buses] == [one.frames for one in found.buses]


def test_a_long_quiet_span_is_bounded_too(two: Recording):
    """No more than ten minutes are looked at, however few frames they hold."""
    found = sample_traffic(two, _at(0), _at(90_000))
    assert (found.end_ns - found.start_ns, found.is_truncated) == (600 * S, True)


def test_a_bus_that_never_came_back(tmp_path: Path):
    """Away to the end of the recording; while it is recorded, without an end."""
    the_bench = scenario.scenario_bench(channel="x")
    writer = RecordingWriter(
        tmp_path / "rec",
        new_manifest(the_bench, name="x", started_ns=START_NS),
        the_bench,
        now_s=0.0,
    )
    lost = Event(sequence=0, time_ns=_at(5), kind=EventKind.BUS_LOST, text="Gone.", bus=0)
    writer.append_events([lost])
    writer.tick(1.0)
    recording = Recording.open(tmp_path / "rec")
    assert [(one.bus, one.end_ns) for one in find_outages(recording)] == [(0, None)]
    writer.close(ended_ns=_at(9), cause="stopped")
    recording.refresh()
    assert [one.end_ns for one in find_outages(recording)] == [_at(9)]


def test_a_pause_is_nobodys_bus(tmp_path: Path):
    """Gone on with after a crash: all buses were away while nobody recorded."""
    the_bench = bench()
    writer = two_buses(tmp_path / "rec")
    writer = RecordingWriter.resume(
        tmp_path / "rec", the_bench,
        clock=ClockAnchor(boottime_ns=1, wall_ns=_at(LENGTH_S + 40)), now_s=0.0,
    )  # fmt: skip
    goes_on = Event(
        sequence=9, time_ns=_at(LENGTH_S + 40), kind="continued", text="Goes on.", duration_s=40.0
    )
    writer.append_events([goes_on])
    writer.append_frames(FrameBatch.from_rows([(_at(LENGTH_S + 41), 0x283, 0, b"\0" * 8)]))
    writer.close(ended_ns=_at(LENGTH_S + 42), cause="stopped")
    found = find_outages(Recording.open(tmp_path / "rec"))
    assert [(one.bus, one.start_ns, one.end_ns) for one in found] == [
        (1, _at(90), _at(100)), (None, _at(LENGTH_S), _at(LENGTH_S + 40)),
    ]  # fmt: skip


def test_who_was_asked_and_is_silent_is_silent(tmp_path: Path):
    """The recorder did ask: that nothing was asked is no excuse in its recording."""
    the_bench = scenario.scenario_bench(channel="x")
    writer = RecordingWriter(
        tmp_path / "rec",
        new_manifest(the_bench, name="x", started_ns=START_NS),
        the_bench,
        now_s=0.0,
    )
    rows = [(_at(k / 100), answer_id(3), 0, motion_answer()) for k in range(500)]
    writer.append_frames(FrameBatch.from_rows(rows))
    writer.close(ended_ns=_at(5), cause="stopped")
    found = sample_traffic(Recording.open(tmp_path / "rec"), _at(0), _at(5))
    assert [text for text in found.hints[0] if "elbow is silent" in text]
    assert not [text for text in found.hints[0] if "only when asked" in text]


def test_bytes_that_no_line_fits_in_a_past_span(tmp_path: Path):
    """Of a recording as well: what was heard and could not be read is no silence."""
    the_bench = scenario.scenario_bench(channel="x")
    writer = RecordingWriter(
        tmp_path / "rec",
        new_manifest(the_bench, name="x", started_ns=START_NS),
        the_bench,
        now_s=0.0,
    )
    rows = [
        {"time": _at(second), "bus": 0, "garbled": 100 * min(second, 4)} for second in range(1, 9)
    ]
    writer.append_rows("buses", table_of_rows(rows, BUS_SCHEMA))
    writer.close(ended_ns=_at(9), cause="stopped")
    recording = Recording.open(tmp_path / "rec")
    heard = sample_traffic(recording, _at(0), _at(3))
    quiet = sample_traffic(recording, _at(5), _at(9))
    assert heard.buses[0].garbled == 300
    assert [text for text in heard.hints[0] if text.startswith("Bytes arrive, but no frame")]
    assert quiet.buses[0].garbled == 0
    assert [text for text in quiet.hints[0] if text.startswith("Nothing at all was heard")]
