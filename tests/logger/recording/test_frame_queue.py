"""The queue between receiving threads and writer: several buses hand on together."""

from contextlib import closing

import can
import pytest

from logger.bus.clock import RecordingClock, read_clocks
from logger.bus.poller import Poller
from logger.bus.source import Received, Source
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.recording.frame_queue import FrameQueue, next_instant_s, receive_frames
from logger.simulate import scenario


def _received(bus: int, until_ns: int = 0) -> Received:
    return Received(frames=FrameBatch.empty(), until_ns=until_ns, bus=bus)


def test_a_turn_takes_what_all_buses_hand_on():
    """Each bus once, in one turn: a frame that waits for the last bus is written in that turn."""
    pipe = FrameQueue.for_buses(4)
    for until_ns in (1, 2):
        for bus in range(4):
            pipe.put_gathered([_received(bus, until_ns)])
    for until_ns in (1, 2):
        turn = pipe.get_handed_on(0.0)
        assert [(one.bus, one.until_ns) for one in turn] == [(bus, until_ns) for bus in range(4)]
    assert pipe.get_handed_on(0.0) == []


def test_a_turn_does_not_wait_long_for_a_bus_that_is_away():
    """What the others handed on is taken without it."""
    pipe = FrameQueue.for_buses(3)
    pipe.put_gathered([_received(0)])
    pipe.put_gathered([_received(2)])
    assert [one.bus for one in pipe.get_handed_on(0.0)] == [0, 2]


@pytest.mark.parametrize("every_s", [0.1, 0.005])
def test_buses_hand_on_at_the_same_instants(every_s: float):
    """Whenever each began: the next instant is one of a common grid, and at most so late."""
    begun_s = [1234.5 + place * every_s / 7 for place in range(20)]
    instants = [next_instant_s(at_s, every_s) for at_s in begun_s]
    for at_s, instant_s in zip(begun_s, instants, strict=True):
        assert at_s - 1e-9 < instant_s <= at_s + every_s + 1e-9
        assert instant_s / every_s == pytest.approx(round(instant_s / every_s), abs=1e-6)


def test_what_came_before_the_end_is_received():
    """Told to stop before it looked even once: all that the bus holds, of many reads, in order."""
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\nchannel = "last"\n'
        '[[joint]]\nname = "a"\nlayout = "harvest-joint"\nnode = 3\n',
        {"harvest-joint": scenario.scenario_layout_text()},
        where="bench.toml",
    )
    pipe = FrameQueue.for_buses(1)
    pipe.stop.set()
    (settings,) = bench.buses
    with (
        closing(Source(settings, RecordingClock(read_clocks()), where="bench.toml")) as source,
        can.Bus(interface="virtual", channel="last") as other,
    ):
        for number in range(9000):
            other.send(can.Message(arbitration_id=number % 0x7FF, is_extended_id=False))
        receive_frames(pipe, source, Poller(bench, now_s=0.0))
        (received,) = pipe.get_handed_on(0.0)
        assert received.frames.identifier.tolist() == [number % 0x7FF for number in range(9000)]
        source.close()
        receive_frames(pipe, source, Poller(bench, now_s=0.0))
        assert pipe.get_handed_on(0.0) == [], "nothing more can come of a bus that is away"
