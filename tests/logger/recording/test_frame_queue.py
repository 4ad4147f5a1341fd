"""The queue between receiving threads and writer: several buses hand on together."""

import pytest

from logger.bus.source import Received
from logger.joint.batch import FrameBatch
from logger.recording.frame_queue import FrameQueue, next_instant_s


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
