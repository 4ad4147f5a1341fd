"""The loop: what comes from the bus is recorded, said and ended in order, whatever else happens."""

import os
import signal
import threading
import time
from pathlib import Path

import can
import numpy as np
import pytest

from logger.bus.clock import read_clocks
from logger.bus.poller import Poller
from logger.bus.source import Received
from logger.errors import InputError, OutsideFault
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet, parse_limits
from logger.recording.frame_queue import FrameQueue
from logger.recording.pipeline import Pipeline
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder import record
from logger.recording.writer import Writer
from logger.simulate import scenario
from logger.simulate.line_protocol import CanFrame
from logger.store.layout.files import INBOX_FOLDER
from logger.store.layout.manifest import ClockAnchor, Manifest
from logger.store.reading.reader import RecordingReader
from logger.store.repair.post_request import submit_request
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.adapter import Adapter
from tests.support.demo_drive import MOTION, answer_id, asking, health_answer, question_id
from tests.support.recorder import Recorder, kinds_told
from tests.support.web import wait_until

S = 1_000_000_000
LAYOUTS = {"harvest-joint": scenario.scenario_layout_text()}


def _bench(channel: str, *, send: bool = False):
    text = scenario.scenario_bench_text(channel).replace(
        'interface = "slcan"', 'interface = "virtual"'
    )
    lines = [line for line in text.splitlines() if not line.startswith("options")]
    text = "\n".join(lines).replace("send      = true", f"send = {str(send).lower()}")
    return bench_from_texts(text, LAYOUTS, where="bench.toml")


def _settings(out: Path, bench, **more) -> RecordSettings:
    return RecordSettings(
        bench=bench, where="bench.toml", limits=LimitSet(), out=out, name="t", **more
    )


def _health(celsius: int) -> can.Message:
    return can.Message(
        arbitration_id=answer_id(3), data=health_answer(celsius), is_extended_id=False
    )


def test_every_frame_on_the_bus_is_recorded(tmp_path: Path):
    """Known and unknown ones, in order, raw and decoded; the rest is counted."""
    with can.Bus(interface="virtual", channel="all") as other:
        running = Recorder(_settings(tmp_path / "rec", _bench("all")))
        for index in range(1000):
            other.send(_health(20 + index % 50))
            if index % 10 == 0:
                other.send(can.Message(arbitration_id=0x7F0, data=b"\x01", is_extended_id=False))
            if index % 100 == 0:
                time.sleep(0.04)
        ended = running.end()
    assert (ended.frames, ended.undecoded, ended.dropped) == (1100, 100, 0)
    recording = Recording.open(tmp_path / "rec")
    batch = recording.read_readings("shoulder", 0, 2**62)
    np.testing.assert_array_equal(
        batch.columns["temperature_housing_degC"], 20.0 + np.arange(1000) % 50
    )
    assert (np.diff(batch.time_ns) >= 0).all()
    assert recording.start_ns <= batch.time_ns[0]
    assert batch.time_ns[-1] < recording.end_ns
    found = check_recording(recording)
    assert found.is_complete
    # On a busy machine the first frame may come late as well; one joint says nothing at all.
    whole_s = (recording.end_ns - recording.start_ns) / S
    assert [gap.joint for gap in found.gaps if gap.duration_s > 0.9 * whole_s] == ["elbow"]


def test_what_was_on_the_bus_before_is_no_part_of_it(tmp_path: Path):
    """A frame that waited since the bus was opened lies before the recording's start."""
    with can.Bus(interface="virtual", channel="early") as other:
        task = other.send_periodic(_health(30), 0.002)
        running = Recorder(_settings(tmp_path / "rec", _bench("early")))
        time.sleep(0.2)
        running.end()
        task.stop()
    recording = Recording.open(tmp_path / "rec")
    assert recording.newest_ns("shoulder") > recording.start_ns
    rows = recording.read_readings("shoulder", 0, 2**62)
    assert len(rows) == len(
        recording.read_readings("shoulder", recording.start_ns, recording.end_ns)
    )


def test_somebody_who_asks_later_ends_the_asking(tmp_path: Path):
    """An event says so, and from then on not one request leaves; recording goes on."""
    with can.Bus(interface="virtual", channel="late") as other:
        running = Recorder(_settings(tmp_path / "rec", _bench("late", send=True)))
        assert other.recv(60.0) is not None
        other.send(
            can.Message(arbitration_id=question_id(4), data=asking(MOTION), is_extended_id=False)
        )
        time.sleep(0.2)
        while other.recv(0) is not None:
            pass
        time.sleep(0.3)
        assert other.recv(0) is None
        other.send(_health(44))
        running.end()
    recording = Recording.open(tmp_path / "rec")
    (refused,) = [event for event in recording.read_events() if event.kind == "refused"]
    assert f"0x{question_id(4):X}" in refused.text
    (alert,) = recording.read_alerts()
    assert (alert.limit, alert.joint, alert.severity) == ("asking-stopped", "", "trip")
    assert alert.state_at(recording.end_ns) == "latched"
    assert recording.reading_count("shoulder") == 1


def test_notes_become_events_in_order_to_the_very_end(tmp_path: Path):
    """Posted while it runs, by several at once, and at its last moment: none is lost."""
    path = tmp_path / "rec"
    running = Recorder(_settings(path, _bench("notes"), note="begun"))
    posters = [
        threading.Thread(
            target=lambda who=who: [
                submit_request(path, kind="note", text=f"{who}{index}", who=who)
                for index in range(5)
            ]
        )
        for who in "ab"
    ]
    for poster in posters:
        poster.start()
    for poster in posters:
        poster.join()
    (path / INBOX_FOLDER / "0.json").write_text("rubbish", encoding="utf-8")
    time.sleep(0.15)
    submit_request(path, kind="note", text="last")
    running.end()
    events = Recording.open(path).read_events()
    assert [event.sequence for event in events] == list(range(len(events)))
    notes = [event.text for event in events if event.kind == "note"]
    assert notes[0] == "begun"
    assert sorted(notes[1:-1]) == sorted(f"{who}{index}" for who in "ab" for index in range(5))
    assert notes[-1] == "last"
    assert [text for text in notes if text.startswith("a")] == [f"a{index}" for index in range(5)]
    assert events[0].kind == "started"
    assert events[-1].kind == "ended"
    assert [file.name for file in (path / INBOX_FOLDER).iterdir()] == ["0.unreadable"]


def _received(count: int, *said: tuple[str, str]) -> Received:
    now_ns = time.time_ns()
    frames = FrameBatch.from_rows([(now_ns, 0x7F0, 0, b"\x01")] * count)
    return Received(frames=frames, until_ns=now_ns, remarks=said)


def _store(path: Path, bench) -> RecordingWriter:
    clocks = read_clocks()
    manifest = Manifest(
        name="t",
        started_ns=clocks.wall_ns,
        clock=ClockAnchor(boottime_ns=clocks.boottime_ns, wall_ns=clocks.wall_ns),
        bench=bench.text,
        layouts=dict(bench.layout_texts),
    )
    return RecordingWriter(path, manifest, bench, now_s=time.monotonic())


def test_the_writer_waits_for_the_last_batch(tmp_path: Path):
    """Stopped while the receiver still has frames in hand: they are written."""
    bench = _bench("x")
    anchor = read_clocks()
    store = _store(tmp_path / "rec", bench)
    pipe = FrameQueue.for_buses(1)
    pipe.stop.set()
    writer = Writer(
        _settings(tmp_path / "rec", bench),
        store,
        pipe,
        [Poller(bench, now_s=0.0)],
        anchor=anchor,
        started_ns=anchor.wall_ns,
    )
    writing = threading.Thread(target=writer.run)
    writing.start()
    time.sleep(0.1)
    pipe.put_gathered([_received(7)])
    pipe.received_all.set()
    writing.join(60)
    assert not writing.is_alive()
    assert store.row_count("frames") == 7
    store.abandon()


def test_what_a_slow_writer_loses_is_counted_and_news_are_kept():
    """A full queue costs frames, never the word that the bus was lost."""
    pipe = FrameQueue.for_buses(1)
    while not pipe.queue.full():
        assert pipe.put_gathered([_received(1)]) == []
    left = pipe.put_gathered([_received(3), _received(2, ("bus lost", "It went away."))])
    assert pipe.counters[0].unqueued == 5
    left = pipe.put_gathered(left)
    assert [one.remarks for one in left] == [(("bus lost", "It went away."),)]
    assert pipe.counters[0].unqueued == 5
    pipe.queue.get()
    assert pipe.put_gathered(left) == []
    newest = list(pipe.queue.queue)[-1]
    assert newest.remarks == (("bus lost", "It went away."),)
    assert len(newest.frames) == 0


def test_a_fault_while_writing_reaches_the_caller(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Not only a log: an outside fault, the lock given back, what was written readable."""

    def breaks(self: Pipeline, frames: FrameBatch, **_: object) -> None:
        raise RuntimeError("broken")

    monkeypatch.setattr(Pipeline, "process", breaks)
    running = Recorder(_settings(tmp_path / "rec", _bench("broken")))
    running.join()
    assert isinstance(running.fault, OutsideFault)
    assert "broken" in str(running.fault)
    recording = Recording.open(tmp_path / "rec")
    assert not recording.live
    assert kinds_told(recording) == ["started"]


def test_a_terminal_that_stands_still_costs_no_frame(tmp_path: Path):
    """Whoever is told of events may take his time: recording goes on meanwhile."""
    told = threading.Event()
    stop = threading.Event()
    with can.Bus(interface="virtual", channel="still") as other:
        recording = threading.Thread(
            target=record,
            args=(_settings(tmp_path / "rec", _bench("still")),),
            kwargs={"stop": stop, "on_event": lambda _event: told.wait(120)},
        )
        recording.start()
        assert wait_until((tmp_path / "rec" / "recording.json").exists)
        for index in range(200):
            other.send(_health(20 + index % 50))
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            if Recording.open(tmp_path / "rec").reading_count("shoulder") == 200:
                break
            time.sleep(0.05)
        else:
            pytest.fail("the rows were not written while nobody listened")
        told.set()
        stop.set()
        recording.join(60)
    assert Recording.open(tmp_path / "rec").reading_count("shoulder") == 200


def test_nothing_is_left_of_a_recording_that_cannot_begin(tmp_path: Path):
    """A folder that is taken, a bus that is not there: nothing made, the bus given back."""
    (tmp_path / "rec").mkdir()
    with pytest.raises(InputError, match="already exists"):
        record(_settings(tmp_path / "rec", _bench("x")), stop=threading.Event())
    assert list((tmp_path / "rec").iterdir()) == []


LIMITS = """
format = 1
[[limit]]
name = "pull"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above = 2.0
drop_off = 1.0
[[limit]]
name = "slow"
kind = "level"
severity = "warning"
channel = "speed_rad_s"
below = 0.05
on_delay_s = 0.1
off_delay_s = 0.1
[[limit]]
name = "late"
kind = "silence"
severity = "warning"
after_s = 0.0125
"""


def test_a_real_byte_path(bench, until):
    """Both joints through a pseudo-terminal: every channel, the first part early, alerts alike."""
    bench.limits.write_text(LIMITS, encoding="utf-8")
    bench.joints()
    process, path = bench.logger()
    begun = time.monotonic()
    until(lambda: list(path.glob("status/*/part-*.parquet")), "the first part is sealed")
    until(lambda: time.monotonic() - begun > 4.5, "a few seconds pass")
    # As when its terminal is closed: it ends in order, as with Ctrl-C.
    process.send_signal(signal.SIGHUP)
    assert process.wait(60) == 0
    recording = Recording.open(path)
    assert check_recording(recording).is_complete
    assert check_recording(recording).dropped == 0
    for joint in ("shoulder", "elbow"):
        batch = recording.read_readings(joint, recording.start_ns, recording.end_ns)
        assert set(batch.columns) == set(recording.channels(joint))
        for channel, values in batch.columns.items():
            assert np.count_nonzero(~np.isnan(values)) >= 20, channel
        assert span_statistics(
            recording, joint, "voltage_V", recording.start_ns, recording.end_ns
        ).mean == pytest.approx(48.0, abs=3.0)
    health = recording.latest_health()
    assert health.frames_per_s > 100
    assert 0.01 < health.bus_load < 1
    raised = [event for event in recording.read_events() if event.kind == "raised"]
    assert len(raised) > 3
    found = find_excursions(recording)
    assert sorted((event.time_ns, event.joint, event.limit) for event in raised) == [
        (one.start_ns, one.joint, one.limit) for one in found
    ]
    returned = [event for event in recording.read_events() if event.kind == "returned"]
    assert sorted((event.time_ns, event.joint, event.limit, event.value) for event in returned) == (
        sorted(
            (one.start_ns + round(one.duration_s * 1e9), one.joint, one.limit, one.peak)
            for one in found
            if not one.ongoing
        )
    )
    assert find_excursions(recording, parse_limits(LIMITS, "limits.toml")) == found


def test_the_bus_is_read_while_the_folder_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A disk that takes long to sync recording.json: no row waits for it, no load is doubled."""
    sync = os.fsync

    def slow_sync(descriptor: int) -> None:
        time.sleep(0.6)
        sync(descriptor)

    heard = []
    listening = threading.Event()

    def answer(frame: CanFrame) -> tuple[CanFrame, ...]:
        heard.append(frame)
        listening.set()
        return ()

    counts = iter(range(1 << 30))

    def talk() -> tuple[CanFrame, ...]:
        number = next(counts)
        return (CanFrame(identifier=answer_id(3), data=health_answer(number % 50)),)

    line = tmp_path / "line"
    bench = bench_from_texts(scenario.scenario_bench_text(str(line)), LAYOUTS, where="bench.toml")
    with Adapter(line, answer=answer, talk=talk, every_s=0.01):
        monkeypatch.setattr(os, "fsync", slow_sync)
        running = Recorder(_settings(tmp_path / "rec", bench))
        monkeypatch.undo()
        time.sleep(2.5)
        running.end()
    recording = Recording.open(tmp_path / "rec")
    rows = recording.read_readings("shoulder", recording.start_ns, recording.end_ns)
    # The folder took at least 0.6 s: the rows of that time are there, with times of their own, and
    # not with the one at which they would have been read after it. Of fifty: a busy machine lets
    # several come at once.
    early = rows.time_ns[rows.time_ns < recording.start_ns + S // 2]
    assert len(np.unique(early)) > 10
    assert len(heard) > 0
    loads = RecordingReader(tmp_path / "rec").read_rows("buses", start_ns=0, end_ns=2**62)["load"]
    first, *others = loads.to_pylist()
    assert first < 1.5 * np.median(others)
