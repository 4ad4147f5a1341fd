"""A recording's buses: nobody asks before they were listened to, and nothing waits meanwhile."""

import threading
import time

import can
import pytest

from logger.bus.clock import read_clocks
from logger.bus.open_buses import OpenBuses
from logger.bus.poller import LISTEN_BEFORE_POLL_S
from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.simulate import scenario
from tests.support.demo_drive import MOTION, asking, question_id


def _bench(channel: str, *, send: bool = True) -> Bench:
    text = scenario.scenario_bench_text(channel).replace('"slcan"', '"virtual"')
    return bench_from_texts(
        text.replace("send      = true", f"send = {str(send).lower()}"),
        {scenario.SCENARIO_LAYOUT: scenario.scenario_layout_text()},
        where="bench.toml",
    )


def _opened(channel: str, *, send: bool = True) -> OpenBuses:
    return OpenBuses(_bench(channel, send=send), anchor=read_clocks(), where="bench.toml")


def _request() -> can.Message:
    return can.Message(arbitration_id=question_id(4), data=asking(MOTION), is_extended_id=False)


def test_they_are_listened_to_for_a_second_whatever_else_is_done():
    """Taken at once, the whole second passes first; taken later, only what is left of it."""
    for busy_s in (0.0, 0.7):
        begun_s = time.monotonic()
        buses = _opened("open-listens")
        time.sleep(busy_s)
        waited_s = time.monotonic()
        sources, pollers = buses.take()
        ended_s = time.monotonic()
        assert ended_s - begun_s >= LISTEN_BEFORE_POLL_S
        assert pollers[0].due_requests(time.monotonic() + 1e-3), "asked as soon as it may be"
        if busy_s:
            assert ended_s - waited_s < ended_s - begun_s - 0.9 * busy_s
        buses.close()
        assert sources[0].send(_request()), "whoever took them has them"
        for source in sources:
            source.close()


def test_where_nothing_is_sent_nobody_waits():
    """A bench that only listens is recorded from the first instant: no thread, no second."""
    before = set(threading.enumerate())
    buses = _opened("open-quiet", send=False)
    # One of an earlier test may end meanwhile.
    assert set(threading.enumerate()) <= before
    sources, _ = buses.take()
    for source in sources:
        source.close()


@pytest.mark.parametrize("after_s", [0.1, 1.3], ids=["within the second", "before they are taken"])
def test_another_node_that_asks_is_heard_until_they_are_taken(after_s: float):
    """Nothing is asked then, however long the start took, and no bus stays open."""
    buses = _opened("open-refused")
    with can.Bus(interface="virtual", channel="open-refused") as other:
        time.sleep(after_s)
        other.send(_request())
        time.sleep(0.3)
        with pytest.raises(InputError, match=rf"0x{question_id(4):X}.*already sent by somebody"):
            buses.take()
    assert not any(source.send(_request()) for source in buses.sources)


def test_those_that_nobody_takes_are_closed():
    """A start that fails for another reason leaves no bus open and no thread behind."""
    before = set(threading.enumerate())
    buses = _opened("open-closed")
    assert set(threading.enumerate()) - before
    buses.close()
    assert set(threading.enumerate()) <= before
    assert not any(source.send(_request()) for source in buses.sources)
