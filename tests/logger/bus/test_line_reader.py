"""A microcontroller as the adapter, over a pseudo-terminal."""

import asyncio
import os
import pty
import socket
import time
import tomllib
import tty
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import can
import pytest

from logger.bus.clock import RecordingClock, read_clocks
from logger.bus.line_pattern import compile_pattern
from logger.bus.line_reader import MAX_PRINTED_LINE, LineBus, LineReader
from logger.bus.reader import MAX_FRAMES_AT_ONCE
from logger.bus.serial_protocol import ProtocolReader
from logger.bus.source import Source
from logger.errors import InputError
from logger.joint.bench.bench import BusSettings

PATTERN = "{time:ms} {id} [{length}] {data}"


@pytest.fixture
def board() -> Iterator[tuple[int, str]]:
    """Give the board's end, and the port's name."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    for end in (ours, theirs):
        try:
            os.close(end)
        except OSError:
            continue


def _registered() -> dict[str, str]:
    """Return what pyproject registers with python-can."""
    root = Path(__file__).parents[3]
    project = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["project"]
    return dict(project["entry-points"]["can.interface"])


def _source(channel: str, pattern: str = PATTERN) -> Source:
    settings = BusSettings(
        interface="lines", channel=channel, options={"pattern": pattern, "baud": 921_600}
    )
    return Source(settings, RecordingClock(read_clocks()), where="bench.toml")


def _heard(source: Source, count: int) -> list[tuple[int, bytes]]:
    rows: list[tuple[int, bytes]] = []
    until_s = time.monotonic() + 25
    while len(rows) < count and time.monotonic() < until_s:
        frames = source.receive(0.05).frames
        rows += [
            (int(frames.identifier[row]), bytes(frames.data[row, : frames.length[row]]))
            for row in range(len(frames))
        ]
    return rows


def test_what_a_board_prints_is_received(board: tuple[int, str]):
    """Banner, log lines and cut lines are counted; frames arrive; the first piece is no fault."""
    ours, channel = board
    source = _source(channel)
    sent = (
        b"C3 [1] 00\r\n12 2C3 [2] 41 07\r\nCAN started, 1000 kbit/s\n"
        b"\xff\x80garbage\r13 2C4 [1] 48\n14 2C4 [2] 48\n15 18FF0001 [0] \r\n16 2C3 [1"
    )
    os.write(ours, sent)
    assert _heard(source, 3) == [(0x2C3, b"\x41\x07"), (0x2C4, b"\x48"), (0x18FF0001, b"")]
    assert source.garbled == 3
    os.write(ours, b"] 09\n")
    assert _heard(source, 1) == [(0x2C3, b"\x09")]
    assert source.garbled == 3
    source.close()


def test_a_piece_of_a_line_is_no_frame_of_another_identifier(board: tuple[int, str]):
    """2C3 without its first digit would be C3: what was under way at the opening is not read."""
    ours, channel = board
    source = _source(channel, "{id} [{length}] {data}")
    os.write(ours, b"C3 [1] 00\n2C3 [1] 41\n")
    assert _heard(source, 1) == [(0x2C3, b"\x41")]
    assert source.garbled == 0
    source.close()


def test_what_is_behind_an_endless_piece_is_whole(board: tuple[int, str]):
    """Listening began in a line that was let go: the line behind it is a frame."""
    ours, channel = board
    source = _source(channel)
    for _ in range(3):
        os.write(ours, b"x" * 1000)
        source.receive(0.02)
    os.write(ours, b"\n2 2 [0] \n")
    assert _heard(source, 1) == [(2, b"")]
    source.close()


def test_a_line_that_never_ends_is_let_go(board: tuple[int, str]):
    """Memory does not grow; what comes behind its end is read."""
    ours, channel = board
    source = _source(channel)
    os.write(ours, b"\n1 1 [0] \n")
    assert len(_heard(source, 1)) == 1
    for _ in range(20):
        os.write(ours, b"x" * 1000)
        source.receive(0.02)
    os.write(ours, b"\n2 2 [0] \n")
    assert _heard(source, 1) == [(2, b"")]
    # It counts on as it goes: a port at the wrong speed may never send an end.
    assert 2 <= source.garbled <= 20000 // MAX_PRINTED_LINE
    source.close()


@pytest.mark.parametrize("way", ["lines", "serial-line protocol"])
def test_a_flood_of_garbage_is_taken_in_parts(way: str):
    """The receiving thread has other things to do than to read what is none."""
    theirs, ours = os.pipe()
    reader = (
        LineReader(theirs, compile_pattern("{id} {data}"))
        if way == "lines"
        else ProtocolReader(theirs, bus_index=0)
    )
    os.write(ours, b"?\n" * (MAX_FRAMES_AT_ONCE + 100))
    taken = reader.read_frames()
    assert (taken.drained, taken.garbled) == (False, MAX_FRAMES_AT_ONCE + 99)
    assert reader.read_frames().drained
    os.close(ours)
    os.close(theirs)


def test_a_whole_line_that_is_too_long_is_none(board: tuple[int, str]):
    """It is not looked at, however it came."""
    ours, channel = board
    source = _source(channel, "{id} {data} {any}")
    os.write(ours, b"\n2C3 41 " + b"x" * MAX_PRINTED_LINE + b"\n2C4 42 end\n")
    assert _heard(source, 1) == [(0x2C4, b"\x42")]
    assert source.garbled == 1
    source.close()


def test_a_board_that_is_unplugged_comes_back(board: tuple[int, str]):
    """The bus is told to be lost, once."""
    ours, channel = board
    source = _source(channel)
    os.close(ours)
    said = [kind for _ in range(20) for kind, _ in source.receive(0.02).remarks]
    assert said == ["bus lost"]
    source.close()


def test_other_programs_of_python_can_can_use_it(board: tuple[int, str]):
    """recv, a filter, a refused send, shutdown; registered under the name that pyproject says."""
    ours, channel = board
    assert _registered() == {"lines": "logger.bus.line_reader:LineBus"}
    filters = [{"can_id": 0x2C3, "can_mask": 0x7FF, "extended": False}]
    with LineBus(channel, pattern="{id} {data}", can_filters=filters) as bus:
        assert bus.recv(0) is None
        os.write(ours, b"\n2C4 01\n2C3 02 03\n")
        message = bus.recv(30)
        assert message is not None
        assert (message.arbitration_id, bytes(message.data)) == (0x2C3, b"\x02\x03")
        with pytest.raises(can.CanOperationError, match="cannot send"):
            bus.send(can.Message(arbitration_id=1))


def test_whoever_waits_on_the_descriptor_gets_every_frame(board: tuple[int, str]):
    """python-can's notifier in an event loop takes one frame whenever the descriptor is ready."""
    ours, channel = board
    got: list[int] = []

    async def listen() -> None:
        notifier = can.Notifier(
            bus, [lambda told: got.append(told.arbitration_id)], loop=asyncio.get_running_loop()
        )
        os.write(ours, b"\n" + b"".join(b"%X 01\nhello\n" % number for number in range(100)))
        until_s = time.monotonic() + 25
        while len(got) < 100 and time.monotonic() < until_s:
            await asyncio.sleep(0.01)
        notifier.stop()

    # In a thread of its own: a browser's test leaves a loop behind in this one.
    with LineBus(channel, pattern="{id} {data}") as bus, ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, listen()).result(timeout=30)
    assert got == list(range(100))


def test_what_came_before_the_port_went_is_received():
    """Then its loss is told, at each call; and a closed bus gives nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        bus = LineBus(f"socket://127.0.0.1:{server.getsockname()[1]}", pattern="{id} {data}")
        with server.accept()[0] as other:
            other.sendall(b"\n2C3 01\nhello\n2C4 02\n2C5 0")
    heard = [bus.recv(1) for _ in range(2)]
    assert [message and message.arbitration_id for message in heard] == [0x2C3, 0x2C4]
    for _ in range(2):
        with pytest.raises(can.CanOperationError, match="other side is gone"):
            bus.recv(1)
    bus.shutdown()
    with pytest.raises(can.CanOperationError, match="closed"):
        bus.recv(0)


def test_recv_waits_as_long_as_it_is_told(board: tuple[int, str]):
    """Neither a quiet board nor one that says nothing but words holds it up."""
    ours, channel = board
    with LineBus(channel, pattern="{id} {data}") as bus:
        for said in (b"", b"\n" + b"hello\n" * 100):
            os.write(ours, said)
            before_s = time.monotonic()
            assert bus.recv(0.1) is None
            assert 0.09 < time.monotonic() - before_s < 2


def test_it_is_opened_by_its_name(board: tuple[int, str], monkeypatch: pytest.MonkeyPatch):
    """As python-can finds it once it is registered, with a bit rate that programs hand on."""
    ours, channel = board
    module, _, name = _registered()["lines"].partition(":")
    monkeypatch.setitem(can.interfaces.BACKENDS, "lines", (module, name))
    with can.Bus(channel, interface="lines", pattern="{id} {data}", bitrate=500_000) as bus:
        assert isinstance(bus, LineBus)
        os.write(ours, b"\n2C3 02 03\n")
        message = bus.recv(30)
        assert message is not None
        assert message.arbitration_id == 0x2C3


def test_can_fd_needs_nothing_switched_on(board: tuple[int, str]):
    """`fd = true` is no mistake: what a line says is read."""
    ours, channel = board
    settings = BusSettings(
        interface="lines", channel=channel, fd=True, options={"pattern": "{id} {data}"}
    )
    source = Source(settings, RecordingClock(read_clocks()), where="bench.toml")
    os.write(ours, b"\n2C3 " + b"07" * 12 + b"\n")
    assert _heard(source, 1) == [(0x2C3, b"\x07" * 12)]
    source.close()


def test_a_socket_is_a_port_too():
    """A board behind a network: what pyserial opens by an address."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        source = _source(f"socket://127.0.0.1:{server.getsockname()[1]}", "{id} {data}")
        with server.accept()[0] as board:
            board.sendall(b"\n2C3 01\n")
            assert _heard(source, 1) == [(0x2C3, b"\x01")]
            source.close()


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        (
            {"options": {}},
            "bench.toml: bus.options.pattern: this key is missing; expected what a line looks "
            "like, such as '{id} [{length}] {data}'.",
        ),
        (
            {"options": {"pattern": "{di} {data}"}},
            "bench.toml: bus.options.pattern: found {di}, expected one of {id}, {data}, {length}, "
            "{time}, {any}, {extended}, {remote}.",
        ),
        (
            {"options": {"pattern": 5}},
            "bench.toml: bus.options.pattern: found 5, expected what a line looks like, such as "
            "'{id} [{length}] {data}'.",
        ),
        (
            {"options": {"pattern": "{id} {data}", "baud": "fast"}},
            "bench.toml: bus.options.baud: found 'fast', expected bits a second on the board's "
            "port, such as 115200.",
        ),
        (
            {"options": {"pattern": "{id} {data}", "bauds": 9600}},
            "bench.toml: bus.options.bauds: there is no such key. Did you mean 'baud'? "
            "Known: baud, pattern.",
        ),
        (
            {"options": {"pattern": "{id} {data}"}, "send": True},
            "bench.toml: bus.send: found true with interface 'lines', expected false: a board "
            "that prints frames cannot send.",
        ),
    ],
)
def test_what_is_refused(board: tuple[int, str], keys: dict[str, object], sentence: str):
    """File, key, found, expected."""
    settings = BusSettings.model_validate({"interface": "lines", "channel": board[1], **keys})
    with pytest.raises(InputError) as fault:
        Source(settings, RecordingClock(read_clocks()), where="bench.toml")
    assert str(fault.value) == sentence


def test_a_port_that_is_not_there():
    """One sentence, with what to look at."""
    settings = BusSettings(
        interface="lines", channel="/dev/nowhere", options={"pattern": "{id} {data}"}
    )
    with pytest.raises(InputError, match="lines cannot open '/dev/nowhere'"):
        Source(settings, RecordingClock(read_clocks()), where="bench.toml")
