"""Stop frames from order to report: how often, how fast, and what becomes of one that fails."""

import pytest

from logger.bus.stop_sender import STOP_GIVE_UP_S, StopSender, stop_sender_for
from logger.joint.bench.bench import bench_from_texts
from logger.simulate import scenario

STOP = 'identifier = "0x190 + node * 3"\ndata = "C5 00"\nrepeat = 3\nevery_s = 0.02\n'
UNTIL = 'until = { channel = "current_A", below = 0.5, within_s = 0.4 }\n'


def _stops(stop: str = STOP) -> StopSender:
    text = (
        '[[bus]]\nname = "l"\ninterface = "virtual"\nsend = true\n'
        '[[bus]]\nname = "r"\ninterface = "virtual"\nsend = true\n'
    )
    for name, bus, node in (("a", "l", 3), ("b", "l", 4), ("c", "r", 3)):
        text += f'[[joint]]\nname = "{name}"\nbus = "{bus}"\nlayout = "harvest-joint"\n'
        text += f"node = {node}\n[joint.stop]\n{stop}"
    layouts = {"harvest-joint": scenario.scenario_layout_text()}
    return stop_sender_for(bench_from_texts(text, layouts, where="bench.toml"), bus=0)


def _run(
    stops: StopSender, *, until_s: float, takes: bool = True, from_s: float = 0.0
) -> list[int]:
    """Return at which milliseconds frames were tried."""
    tried = []
    for step in range(round(from_s * 1000), round(until_s * 1000)):
        for joint, _ in stops.due_stops(step * 1e-3, now_ns=step):
            tried.append(step)
            stops.note_attempt(joint, was_sent=takes, now_s=step * 1e-3, now_ns=step)
    return tried


def _reports(stops: StopSender) -> list[tuple[str, str, int]]:
    found = []
    while not stops.reports.empty():
        report = stops.reports.get()
        found.append((report.joint, report.kind, report.count))
    return found


def test_each_joint_of_the_bus_has_its_frame():
    """Node arithmetic as elsewhere; the other bus's joints are not here."""
    found = {joint: message for joint, (message, _) in _stops().frames.items()}
    assert {joint: message.arbitration_id for joint, message in found.items()} == {
        "a": 0x199,
        "b": 0x19C,
    }
    assert {bytes(message.data) for message in found.values()} == {b"\xc5\x00"}


def test_nothing_leaves_without_an_order():
    """Armed is not sent."""
    stops = _stops()
    assert _run(stops, until_s=1.0) == []
    assert stops.next_due_s(0.0) == 1.0


def test_an_order_is_sent_at_once_and_so_many_times():
    """First now, then every 20 ms, three times; reported when it begins and when it is over."""
    stops = _stops()
    stops.order_stop("a")
    assert _run(stops, until_s=0.5) == pytest.approx([0, 20, 40], abs=2)
    assert _reports(stops) == [("a", "sent", 1), ("a", "over", 3)]


def test_enough_is_enough():
    """Once it is seen to stop, no more frames leave."""
    stops = _stops()
    stops.order_stop("a")
    _run(stops, until_s=0.03)
    stops.confirm_stopped("a")
    assert _run(stops, until_s=0.5, from_s=0.03) == []
    assert _reports(stops) == [("a", "sent", 1), ("a", "over", 2)]


@pytest.mark.parametrize(("stop", "after_s"), [(STOP, STOP_GIVE_UP_S), (STOP + UNTIL, 0.4)])
def test_a_bus_that_takes_nothing_is_tried_for_so_long(stop: str, after_s: float):
    """Then it is given up, and told as unsent."""
    stops = _stops(stop)
    stops.order_stop("b")
    tried = _run(stops, until_s=3.0, takes=False)
    assert after_s <= tried[-1] * 1e-3 <= after_s + 0.03
    assert _reports(stops) == [("b", "unsent", 0)]


def test_a_bus_that_comes_back_in_time_gets_it():
    """What could not be sent at first is sent as soon as it can be."""
    stops = _stops()
    stops.order_stop("a")
    _run(stops, until_s=0.5, takes=False)
    assert len(_run(stops, until_s=0.8, from_s=0.5)) == 3
    assert _reports(stops) == [("a", "sent", 1), ("a", "over", 3)]


def test_two_joints_at_once():
    """Each has its own count."""
    stops = _stops()
    stops.order_stop("a")
    stops.order_stop("b")
    assert len(_run(stops, until_s=0.5)) == 6


def test_disarmed_nothing_leaves_any_more():
    """What was ordered before or is ordered later is told."""
    stops = _stops()
    stops.order_stop("a")
    _run(stops, until_s=0.001)
    stops.disarm_stops(now_ns=0)
    stops.order_stop("b")
    assert _run(stops, until_s=0.5, from_s=0.001) == []
    assert _reports(stops) == [("a", "sent", 1), ("a", "over", 1), ("b", "unsent", 0)]
