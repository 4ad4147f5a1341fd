"""Events of one recording: numbered without a hole, handed on as they were written."""

import math

import pyarrow as pa
import pytest

from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench
from logger.limits.recorder import STOP_WITHOUT_EFFECT
from logger.recording.event_log import EventLog
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.request import new_request
from logger.store.writing.row_writer import RowWriter

START_NS = 1_795_000_000_000_000_000


class _Rows(RowWriter):
    """Rows that stay in memory."""

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.written: list[tuple[str, pa.RecordBatch]] = []

    def _store_rows(self, stream: str, first_row: int, batch: pa.RecordBatch) -> None:
        self.written.append((stream, batch))


@pytest.fixture
def log() -> tuple[EventLog, list[Event], _Rows]:
    """Return a log, what it handed on, and where it wrote."""
    bench, seen = scenario.scenario_bench(channel="x"), []
    rows = _Rows(bench)
    return EventLog(bench, rows, on_event=seen.append), seen, rows


def test_each_event_has_the_next_number(log: tuple[EventLog, list[Event], _Rows]):
    """What is written is what is handed on, in the same order."""
    events, seen, rows = log
    events.begin(START_NS, note="warm room")
    events.emit(EventKind.BUS_LOST, time_ns=START_NS + 1, bus=0, text="gone")
    events.end(START_NS + 2, cause="stopped")
    assert [event.sequence for event in seen] == [0, 1, 2, 3]
    assert [str(event.kind) for event in seen] == ["started", "note", "bus lost", "ended"]
    written = [batch.to_pylist()[0] for stream, batch in rows.written if stream == "events"]
    assert [row["sequence"] for row in written] == [0, 1, 2, 3]


def test_an_event_of_a_joint_is_of_its_bus(log: tuple[EventLog, list[Event], _Rows]):
    """Unless it says of which."""
    events, seen, _ = log
    events.emit(EventKind.STATE, time_ns=START_NS, joint="elbow", text="")
    events.emit(EventKind.NOTE, time_ns=START_NS, text="")
    assert [event.bus for event in seen] == [0, None]


def test_an_alert_of_the_recorder_stands_until_it_is_acknowledged(
    log: tuple[EventLog, list[Event], _Rows],
):
    """It returns with its own number, once; what nobody acknowledged returns at the end."""
    events, seen, _ = log
    for joint in ("shoulder", "elbow"):
        events.raise_recorder_alert(STOP_WITHOUT_EFFECT, time_ns=START_NS, joint=joint, text="!")
    acknowledge = new_request(kind="acknowledge", text="", alert=1, who="eva")
    events.emit_request(acknowledge, time_ns=START_NS + 1)
    events.end(START_NS + 2, cause="stopped")
    told = [(str(event.kind), event.alert, event.joint) for event in seen]
    assert told == [
        ("raised", 1, "shoulder"),
        ("raised", 2, "elbow"),
        ("acknowledged", 1, "shoulder"),
        ("returned", 1, "shoulder"),
        ("returned", 2, "elbow"),
        ("ended", 0, ""),
    ]
    assert math.isnan(seen[0].value)


def test_only_the_newest_alerts_are_kept(
    log: tuple[EventLog, list[Event], _Rows], monkeypatch: pytest.MonkeyPatch
):
    """Days of chatter fill no memory: what is done to an older alert is told by its number."""
    monkeypatch.setattr("logger.recording.event_log.MAX_RAISED", 3)
    events, seen, _ = log
    for turn in range(5):
        events.raise_recorder_alert(
            STOP_WITHOUT_EFFECT, time_ns=START_NS + turn, joint="elbow", text="It moves."
        )
    assert sorted(events._raised) == [3, 4, 5]
    for alert in (1, 5):
        events.emit_request(
            new_request(kind="acknowledge", text="", alert=alert, who="eva"), time_ns=START_NS + 9
        )
    told = [event for event in seen if event.kind == EventKind.ACKNOWLEDGED]
    assert [(event.alert, event.joint) for event in told] == [(1, ""), (5, "elbow")]
