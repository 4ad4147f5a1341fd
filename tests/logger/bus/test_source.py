"""The bus: opened, received in batches, lost and found again; whatever the adapter says."""

import os
import pty
import select
import struct
import time
import tty
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
import pytest

from logger.bus import serial_output as output_file
from logger.bus import source as source_file
from logger.bus.clock import ClockSample, RecordingClock, read_clocks
from logger.bus.opening import open_bus
from logger.bus.source import Source
from logger.errors import InputError
from logger.joint.batch import EXTENDED, REMOTE
from logger.joint.bench.bench import BusSettings

S = 1_000_000_000


class _Adapter:
    """A bus whose every answer is chosen by the test."""

    def __init__(self, answer: Callable[[], can.Message | None]) -> None:
        self._answer = answer
        self.shut = False

    def recv(self, _timeout: float) -> can.Message | None:
        return self._answer()

    def fileno(self) -> int:
        return -1

    def shutdown(self) -> None:
        self.shut = True


def _read_until(descriptor: int, end: bytes) -> bytes:
    """Return what comes until it ends so: a terminal hands on what is written when it likes."""
    heard = b""
    while not heard.endswith(end):
        assert select.select([descriptor], [], [], 60.0)[0], heard
        heard += os.read(descriptor, 4096)
    return heard


def _source(monkeypatch: pytest.MonkeyPatch, answer: Callable[[], can.Message | None]) -> Source:
    monkeypatch.setattr(source_file, "open_bus", lambda *_: _Adapter(answer))
    return Source(
        BusSettings(interface="virtual"), RecordingClock(read_clocks()), where="bench.toml"
    )


def _raising(fault: Exception) -> Callable[[], can.Message | None]:
    def answer() -> can.Message | None:
        raise fault

    return answer


@pytest.mark.parametrize(
    "fault", [ValueError("no frame"), IndexError("cut"), struct.error("cut frame")]
)
def test_a_line_that_is_no_frame_is_counted(monkeypatch: pytest.MonkeyPatch, fault: Exception):
    """Garbled input never ends a recording, and never keeps the receiver from coming back."""
    source = _source(monkeypatch, _raising(fault))
    received = source.receive(0.0)
    assert len(received.frames) == 0
    assert received.remarks == ()
    assert source.garbled > 0
    assert source.receive(0.0).until_ns > received.until_ns


@pytest.mark.parametrize("stamp_s", [float("nan"), float("inf"), -1.0, 1e300, 0.0])
def test_a_stamp_that_is_nonsense_counts_as_now(monkeypatch: pytest.MonkeyPatch, stamp_s: float):
    """Whatever an adapter says of time, the frame is kept."""
    waiting = [can.Message(arbitration_id=1, timestamp=stamp_s)]
    source = _source(monkeypatch, lambda: waiting.pop() if waiting else None)
    received = source.receive(0.0)
    assert len(received.frames) == 1
    assert abs(int(received.frames.time_ns[0]) - time.time_ns()) < S


def test_no_later_frame_lies_before_the_promise(monkeypatch: pytest.MonkeyPatch):
    """`until_ns` holds, for stamps of the past and for more frames than one call takes."""
    left = [9000]

    def answer() -> can.Message | None:
        if left[0] == 0:
            return None
        left[0] -= 1
        return can.Message(arbitration_id=1, timestamp=time.time() - 0.5)

    source = _source(monkeypatch, answer)
    promised, count = 0, 0
    for _ in range(5):
        received = source.receive(0.0)
        if len(received.frames):
            assert int(received.frames.time_ns[0]) >= promised
            assert (np.diff(received.frames.time_ns) >= 0).all()
        assert received.until_ns >= promised
        promised = received.until_ns
        count += len(received.frames)
    assert count == 9000


def test_a_bus_that_opens_and_goes_at_once_is_told_once(monkeypatch: pytest.MonkeyPatch):
    """An adapter that opens and has gone at the first look is not back."""
    source = _source(monkeypatch, _raising(can.CanOperationError("down")))
    now_s = [0.0]
    monkeypatch.setattr(source_file.time, "monotonic", lambda: now_s[0])
    monkeypatch.setattr(source_file.time, "sleep", lambda _s: None)
    said = []
    for _ in range(6000):
        now_s[0] += 0.1
        said += [kind for kind, _ in source.receive(0.0).remarks]
    assert said == ["bus lost"]


def test_a_bus_that_flaps_is_told_ever_less_often(monkeypatch: pytest.MonkeyPatch):
    """No flood of events from an adapter that comes back and goes again for hours."""
    turns = [0]

    def answer() -> None:
        turns[0] += 1
        if turns[0] % 2 == 0:
            raise can.CanOperationError("down")

    source = _source(monkeypatch, answer)
    now_s = [0.0]
    monkeypatch.setattr(source_file.time, "monotonic", lambda: now_s[0])
    monkeypatch.setattr(source_file.time, "sleep", lambda _s: None)
    lost = 0
    for _ in range(6000):
        now_s[0] += 0.1
        lost += sum(kind == "bus lost" for kind, _ in source.receive(0.0).remarks)
    assert 5 < lost < 80


def test_a_bus_that_is_always_ready_and_says_nothing_takes_no_core(
    monkeypatch: pytest.MonkeyPatch,
):
    """A descriptor that stays readable without a frame is not asked in a busy loop."""
    source = _source(monkeypatch, lambda: None)
    ours, theirs = os.pipe()
    os.write(theirs, b"x")
    source._descriptor = ours
    calls, end = 0, time.monotonic() + 0.3
    while time.monotonic() < end:
        source.receive(0.02)
        calls += 1
    os.close(ours)
    os.close(theirs)
    assert calls < 250


def test_a_step_of_the_wall_clock_is_said_and_changes_no_time(monkeypatch: pytest.MonkeyPatch):
    """Set back by an hour between two frames: their times go on, and it is one event."""
    real = read_clocks()
    steps = iter([0, 0, -3600 * S, -3600 * S, -3600 * S, -3600 * S])
    passed = iter(range(1, 10))
    wall = [real.wall_ns]

    def clocks() -> ClockSample:
        by_ns = next(passed) * 1_000_000
        wall[0] = real.wall_ns + by_ns + next(steps)
        return ClockSample(
            boottime_ns=real.boottime_ns + by_ns,
            monotonic_ns=real.monotonic_ns + by_ns,
            wall_ns=wall[0],
        )

    waiting: list[can.Message] = []
    monkeypatch.setattr(
        source_file, "open_bus", lambda *_: _Adapter(lambda: waiting.pop() if waiting else None)
    )
    source = Source(
        BusSettings(interface="virtual"), RecordingClock(real), where="b", clock_reader=clocks
    )
    times, said = [], []
    for _ in range(3):
        waiting.append(can.Message(arbitration_id=1, timestamp=wall[0] * 1e-9))
        received = source.receive(0.0)
        times += received.frames.time_ns.tolist()
        said += received.remarks
    assert times == sorted(times)
    assert times[-1] - times[0] < 20_000_000
    assert [kind for kind, _ in said] == ["clock step"]


def test_frames_of_every_kind_arrive_as_they_were_sent():
    """Identifier, flags and bytes over an in-process bus."""
    with can.Bus(interface="virtual", channel="kinds") as other:
        source = Source(
            BusSettings(interface="virtual", channel="kinds"),
            RecordingClock(read_clocks()),
            where="b",
        )
        other.send(can.Message(arbitration_id=0x123, data=b"\x01\x02", is_extended_id=False))
        other.send(can.Message(arbitration_id=0x1ABCDEF, data=b"", is_extended_id=True))
        other.send(can.Message(arbitration_id=5, is_remote_frame=True, dlc=4, is_extended_id=False))
        frames = source.receive(0.1).frames
        assert frames.identifier.tolist() == [0x123, 0x1ABCDEF, 5]
        assert frames.flags.tolist() == [0, EXTENDED, REMOTE]
        assert frames.length.tolist() == [2, 0, 4]
        source.close()
        source.close()


@pytest.mark.parametrize(
    ("leave", "opened"),
    [({}, b"L"), ({"acknowledge": True}, b"O"), ({"send": True}, b"O")],
)
def test_a_serial_adapter_is_opened_silent_by_default(
    line: tuple[int, Path], leave: dict[str, bool], opened: bytes
):
    """Listening only, unless the bench file asks to send or to acknowledge; and no frame."""
    ours, link = line
    settings = BusSettings(
        interface="slcan",
        channel=str(link),
        bitrate=500_000,
        options={"sleep_after_open": 0.0},
        **leave,
    )
    open_bus(settings, "bench.toml").shutdown()
    # Ended by closing.
    commands = _read_until(ours, b"\rC\r").split(b"\r")
    assert opened in commands
    assert ({b"L": b"O", b"O": b"L"}[opened]) not in commands
    assert not any(command[:1] in {b"t", b"T", b"r", b"R"} for command in commands)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"interface": "vritual"}, "'virtual'"),
        ({"interface": "slcan", "channel": "/dev/no-such-adapter"}, "plugged in"),
        ({"interface": "socketcan", "channel": "no-such-can"}, "no-such-can"),
        ({"interface": "virtual", "options": {"no_such_option": True}}, None),
    ],
)
def test_a_bus_that_cannot_be_opened(settings: dict, words: str | None):
    """One sentence with the file, the key and how to mend it; an option too many does not crash."""
    if words is None:
        open_bus(BusSettings(**settings), "bench.toml").shutdown()
        return
    with pytest.raises(InputError, match=r"^bench\.toml: bus\.") as fault:
        open_bus(BusSettings(**settings), "bench.toml")
    assert words in str(fault.value)
    assert "\n" not in str(fault.value)


def test_frames_that_the_system_stamps_wake_it_seldom(monkeypatch: pytest.MonkeyPatch):
    """As long as the system keeps them, many frames are one wake; else each is taken at once."""

    def wakes(read_delay_s: float) -> int:
        source = _source(monkeypatch, lambda: None)
        ours, theirs = os.pipe()
        os.write(theirs, b"x")
        source._descriptor = ours
        source._reader.read_delay_s = read_delay_s
        end_s = time.monotonic() + 0.4
        calls = 0
        while time.monotonic() < end_s:
            # As after a frame: it is no adapter that is ready and gives nothing.
            source._quiet_calls = 0
            source.receive(0.1)
            calls += 1
        os.close(ours)
        os.close(theirs)
        return calls

    assert 5 * wakes(0.05) < wakes(0.0)


def test_requests_of_a_serial_line_leave_in_one_write():
    """What is due together is one write, byte for byte what single ones are; all are counted."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    settings = BusSettings(
        interface="slcan", channel=os.ttyname(slave), send=True, options={"sleep_after_open": 0}
    )
    source = Source(settings, RecordingClock(read_clocks()), where="bench.toml")
    messages = [
        can.Message(arbitration_id=0x123, data=b"\x01\x02", is_extended_id=False),
        can.Message(arbitration_id=0x18FF0001, data=b"\x03"),
        can.Message(arbitration_id=0x7FF, is_remote_frame=True, dlc=4, is_extended_id=False),
    ]
    try:
        _read_until(master, b"O\r")
        writes: list[bytes] = []
        write = os.write
        with pytest.MonkeyPatch.context() as monkey:
            monkey.setattr(
                output_file.os, "write", lambda fd, data: (writes.append(data), write(fd, data))[1]
            )
            assert source.send_all(messages) == 3
        together = _read_until(master, b"r7FF4\r")
        for message in messages:
            assert source.send(message)
        assert _read_until(master, b"r7FF4\r") == together
        assert writes == [together] == [b"t12320102\rT18FF0001103\rr7FF4\r"]
        source.close()
        assert source.send_all(messages) == 0
    finally:
        source.close()
        os.close(slave)
        os.close(master)
