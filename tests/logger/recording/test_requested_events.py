"""What an event concerns stands in its fields, whoever asks for it and whenever."""

from pathlib import Path

import pytest

from logger.event_kind import EventKind
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit_change import LimitChange
from logger.recording.event_log import EventLog
from logger.recording.resume import resume_point
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.layout.request import EventRequest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.post_request import submit_request
from logger.store.writing.live_writer import RecordingWriter

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
BENCH = bench_from_texts(
    '[[bus]]\nname = "left"\ninterface = "virtual"\nchannel = "l"\n'
    '[[bus]]\nname = "right"\ninterface = "virtual"\nchannel = "r"\n'
    '[[joint]]\nname = "elbow"\nbus = "right"\nlayout = "harvest-joint"\nnode = 3\n',
    {"harvest-joint": scenario.scenario_layout_text()},
    where="bench.toml",
)


def _raised(at_ns: int) -> LimitChange:
    return LimitChange(
        time_ns=at_ns,
        limit="warm",
        joint="elbow",
        severity="warning",
        channel="temperature_housing_degC",
        kind=EventKind.RAISED,
        value=71.0,
        onset_ns=at_ns - S,
        peak=71.0,
    )


def _told(path: Path) -> list[Event]:
    return list(RecordingReader(path).read_events())


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Give a recording in which an alert was raised, acknowledged and shelved by a recorder."""
    path = tmp_path / "rec"
    writer = RecordingWriter(
        path, new_manifest(BENCH, name="x", started_ns=START_NS), BENCH, now_s=0.0
    )
    log = EventLog(BENCH, writer)
    log.begin(START_NS)
    log.emit_change(_raised(START_NS + 2 * S), "elbow is warm")
    log.emit_request(
        EventRequest(kind="acknowledge", alert=1, name="7-1"), time_ns=START_NS + 3 * S
    )
    log.emit_request(EventRequest(kind="shelve", alert=1, for_s=9.0), time_ns=START_NS + 4 * S)
    log.emit_request(EventRequest(kind="acknowledge", alert=5), time_ns=START_NS + 5 * S)
    log.end(START_NS + 6 * S, cause="stopped")
    writer.close(ended_ns=START_NS + 6 * S, cause="stopped")
    return path


def test_what_is_done_to_an_alert_names_its_limit(path: Path):
    """Joint, limit, severity and bus are those of the alert; of none that is not known."""
    raised, *_ = [event for event in _told(path) if event.kind == EventKind.RAISED]
    assert (raised.joint, raised.limit, raised.bus) == ("elbow", "warm", 1)
    done = [
        (event.kind, event.joint, event.limit, event.severity, event.bus)
        for event in _told(path)
        if event.kind in {EventKind.ACKNOWLEDGED, EventKind.SHELVED}
    ]
    assert done == [
        ("acknowledged", "elbow", "warm", "warning", 1),
        ("shelved", "elbow", "warm", "warning", 1),
        ("acknowledged", "", "", "", None),
    ]
    assert [event.request for event in _told(path) if event.request] == ["7-1"]


def test_so_it_does_afterwards_and_where_a_recording_goes_on(path: Path):
    """With nobody writing, and by a recorder that did not raise it."""
    submit_request(path, kind="unshelve", alert=1)
    assert [_told(path)[-1].limit, _told(path)[-1].joint] == ["warm", "elbow"]
    start = resume_point(path)
    clock = ClockAnchor(boottime_ns=1, wall_ns=START_NS + 10 * S)
    writer = RecordingWriter.resume(path, BENCH, clock=clock, now_s=0.0)
    log = EventLog(BENCH, writer, start=start)
    log.begin(START_NS + 10 * S)
    log.emit_request(EventRequest(kind="acknowledge", alert=1), time_ns=START_NS + 11 * S)
    writer.close(ended_ns=START_NS + 12 * S, cause="stopped")
    assert _told(path)[-1].kind == EventKind.ACKNOWLEDGED
    assert (_told(path)[-1].limit, _told(path)[-1].bus) == ("warm", 1)
