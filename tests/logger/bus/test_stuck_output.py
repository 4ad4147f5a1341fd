"""An adapter that hangs: it costs requests, never the receiving, and never the recording's end."""

import os
import pty
import threading
import time
import tty
from pathlib import Path

import can
import pytest

import logger.recording.recorder as record_file
from logger.bus.clock import RecordingClock, read_clocks
from logger.bus.serial_output import MAX_WRITE_S
from logger.bus.source import Source
from logger.joint.bench.bench import BusSettings, bench_from_texts
from logger.limits.limit import LimitSet
from logger.recording.record_settings import RecordSettings
from logger.recording.recorder import record
from logger.simulate import scenario
from replay.check import check_recording
from replay.recording import Recording
from tests.support.recorder import kinds_told


def test_one_that_reads_nothing_does_not_hold_the_receiver():
    """Its buffer full, a request is refused in a moment; what it sends is received all the same."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    settings = BusSettings(
        interface="slcan", channel=os.ttyname(slave), send=True, options={"sleep_after_open": 0}
    )
    source = Source(settings, RecordingClock(read_clocks()), where="bench.toml")
    try:
        request = can.Message(arbitration_id=0x123, data=b"\x01" * 8, is_extended_id=False)
        taken, longest_s = 0, 0.0
        for _ in range(2000):
            begun_s = time.monotonic()
            sent = source.send(request)
            longest_s = max(longest_s, time.monotonic() - begun_s)
            if not sent:
                break
            taken += 1
        assert 0 < taken < 2000
        assert longest_s < MAX_WRITE_S + 1.0
        os.write(master, b"t2C310A\r")
        received = source.receive(30.0)
        assert received.frames.identifier.tolist() == [0x2C3]
        assert received.remarks == ()
        begun_s = time.monotonic()
    finally:
        source.close()
        os.close(slave)
        os.close(master)
    assert time.monotonic() - begun_s < 5.0


def test_a_driver_that_never_returns_does_not_keep_the_recording_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Stopped while a request hangs in the driver: closed in order, whole, the lock given back."""
    text = scenario.scenario_bench_text("stuck").replace(
        'interface = "slcan"', 'interface = "virtual"'
    )
    text = "\n".join(line for line in text.splitlines() if not line.startswith("options"))
    bench = bench_from_texts(
        text, {"harvest-joint": scenario.scenario_layout_text()}, where="bench.toml"
    )
    assert bench.buses[0].send
    hangs, free = threading.Event(), threading.Event()

    def hang(*_: object) -> int:
        hangs.set()
        free.wait(30)
        return 0

    monkeypatch.setattr(Source, "send_all", hang)
    monkeypatch.setattr(record_file, "STUCK_S", 0.3)
    stop = threading.Event()
    threading.Thread(target=lambda: (hangs.wait(20), stop.set()), daemon=True).start()
    begun_s = time.monotonic()
    try:
        ended = record(
            RecordSettings(
                bench=bench, where="b", limits=LimitSet(), out=tmp_path / "rec", name="t"
            ),
            stop=stop,
        )
    finally:
        free.set()
    assert ended.cause == "stopped"
    assert time.monotonic() - begun_s < 15
    recording = Recording.open(tmp_path / "rec")
    assert not recording.live
    assert check_recording(recording).is_complete
    assert kinds_told(recording) == ["started", "ended"]
    for thread in threading.enumerate():
        if thread.name.startswith("receive-"):
            thread.join(30)
