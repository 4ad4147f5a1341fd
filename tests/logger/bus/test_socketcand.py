"""A bus behind a server on the loopback: received from, and noticed when the server goes."""

import socket
import time

import pytest

from logger.bus.clock import RecordingClock, read_clocks
from logger.bus.opening import open_bus
from logger.bus.source import Source
from logger.errors import InputError
from logger.joint.bench.bench import BusSettings
from tests.support.standin import Server


@pytest.fixture
def server():
    """Give a server that one client may come to."""
    made = Server()
    yield made
    made.close()


def _source(server: Server) -> Source:
    settings = BusSettings(
        interface="socketcand",
        channel="can0",
        options={"host": "127.0.0.1", "port": server.port},
    )
    return Source(settings, RecordingClock(read_clocks()), where="bench.toml")


def test_frames_of_a_server_arrive(server: Server):
    """Identifier and bytes, with a time of the recording's own axis."""
    source = _source(server)
    server.send(b"< frame 2C3 1.5 410102 >< frame 2C4 1.6 53 >")
    frames, end = [], time.monotonic() + 60
    while len(frames) < 2 and time.monotonic() < end:
        batch = source.receive(0.05).frames
        frames += zip(batch.identifier.tolist(), batch.time_ns.tolist(), strict=True)
    assert [number for number, _ in frames] == [0x2C3, 0x2C4]
    assert abs(frames[0][1] - time.time_ns()) < 5_000_000_000
    source.close()


def test_a_frame_that_cannot_be_read_is_counted_once(server: Server):
    """Those before and behind it arrive, each once; it is not met again."""
    source = _source(server)
    server.send(b"< frame 2C3 1.5 410102 >< frame 2C4 1.6 >< frame 2C5 1.7 53 >")
    numbers: list[int] = []
    for _ in range(2):
        end = time.monotonic() + 0.3
        while time.monotonic() < end:
            numbers += source.receive(0.05).frames.identifier.tolist()
        # What stood behind it is read with what comes next.
        server.send(b"< frame 2C6 1.8 54 >")
    assert numbers == [0x2C3, 0x2C5, 0x2C6]
    assert source.garbled == 1
    source.close()


def test_a_server_that_closes_is_noticed_within_two_seconds(server: Server):
    """python-can goes on as if the bus were quiet; the recorder says that it is gone."""
    source = _source(server)
    server.send(b"< frame 2C3 1.5 410102 >")
    begun = time.monotonic()
    while time.monotonic() - begun < 0.3:
        source.receive(0.05)
    server.close()
    begun = time.monotonic()
    said: list[tuple[str, str]] = []
    while not said and time.monotonic() - begun < 5:
        said += source.receive(0.05).remarks
    assert time.monotonic() - begun < 2.0
    assert said[0][0] == "bus lost"
    assert "closed" in said[0][1] or "socket" in said[0][1].lower()
    source.close()


def test_a_reset_connection_is_told_in_one_sentence(server: Server):
    """No traceback and no path of this machine: python-can's message holds both."""
    source = _source(server)
    server.send(b"< frame 2C3 1.5 410102 >")
    end = time.monotonic() + 60
    while not len(source.receive(0.05).frames):
        assert time.monotonic() < end
    server.reset()
    remarks: list[tuple[str, str]] = []
    while not remarks and time.monotonic() < end:
        remarks += source.receive(0.05).remarks
    source.close()
    assert remarks[0][0] == "bus lost"
    assert "reset by peer" in remarks[0][1]
    assert remarks[0][1].endswith(". Trying again.")
    for private in ("Traceback", "File", "\n", ".py"):
        assert private not in remarks[0][1]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_server_that_never_answers_is_not_waited_for():
    """Opening ends in a sentence after two seconds, not in a recorder that hangs."""
    with socket.create_server(("127.0.0.1", 0)) as mute:
        settings = BusSettings(
            interface="socketcand",
            channel="can0",
            options={"host": "127.0.0.1", "port": mute.getsockname()[1]},
        )
        begun = time.monotonic()
        with pytest.raises(InputError, match="cannot open 'can0'"):
            open_bus(settings, "bench.toml")
        assert time.monotonic() - begun < 10
        assert socket.getdefaulttimeout() is None
