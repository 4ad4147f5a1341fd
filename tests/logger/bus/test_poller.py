"""Asking: in its rhythm, only with leave, and never with an identifier that is somebody else's."""

from collections import Counter

import pytest

from logger.bus.poller import LISTEN_BEFORE_POLL_S, Poller
from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.simulate import scenario
from logger.traffic.response_tracker import ResponseTracker, response_plan
from tests.support.demo_drive import HEALTH, MOTION, SET_POINTS, answer_id, asking, question_id

LAYOUTS = {"harvest-joint": scenario.scenario_layout_text()}


def _bench(*, send: bool):
    text = scenario.scenario_bench_text("x").replace(
        "send      = true", f"send = {str(send).lower()}"
    )
    return bench_from_texts(text, LAYOUTS, where="bench.toml")


def test_without_leave_there_is_nothing_to_ask():
    """With send = false no request is even planned, whatever the layout names."""
    asker = Poller(_bench(send=False), now_s=0.0)
    assert not asker
    assert asker.due_requests(1e9) == []
    asked = FrameBatch.from_rows([(0, question_id(3), 0, asking(MOTION))])
    assert asker.check_received(asked, now_s=0.0) is None


def test_it_listens_first():
    """Nothing is due before the bus was listened to."""
    asker = Poller(_bench(send=True), now_s=100.0)
    assert asker.due_requests(100.0 + LISTEN_BEFORE_POLL_S - 0.001) == []
    assert asker.due_requests(100.0 + LISTEN_BEFORE_POLL_S) != []


def test_each_in_its_own_rhythm():
    """Over ten seconds 100, 20 and 10 requests a second of each joint leave, evenly."""
    asker = Poller(_bench(send=True), now_s=0.0)
    sent: Counter[tuple[int, bytes]] = Counter()
    for step in range(10_000):
        for ask in asker.due_requests(LISTEN_BEFORE_POLL_S + step * 1e-3):
            sent[ask.message.arbitration_id, bytes(ask.message.data)] += 1
    for identifier in (question_id(3), question_id(4)):
        assert sent[identifier, asking(MOTION)] == pytest.approx(1000, abs=2)
        assert sent[identifier, asking(SET_POINTS)] == pytest.approx(200, abs=2)
        assert sent[identifier, asking(HEALTH)] == pytest.approx(100, abs=2)


def test_what_was_missed_is_not_made_up_for():
    """After a stall of a minute each request is due once, not in a burst."""
    asker = Poller(_bench(send=True), now_s=0.0)
    asker.due_requests(LISTEN_BEFORE_POLL_S)
    assert len(asker.due_requests(LISTEN_BEFORE_POLL_S + 60.0)) == 6
    assert len(asker.due_requests(LISTEN_BEFORE_POLL_S + 60.0)) == 0
    assert 0.0 <= asker.next_due_s(LISTEN_BEFORE_POLL_S + 60.0) <= 0.01


@pytest.mark.parametrize(
    ("identifier", "flags", "foreign"),
    [
        (question_id(3), 0, True),
        (question_id(4), REMOTE, True),
        (question_id(3), SENT, False),
        (question_id(3), EXTENDED, False),
        (question_id(3), ERROR, False),
        (answer_id(3), 0, False),
    ],
)
def test_who_sends_our_identifier(identifier: int, flags: int, foreign: bool):  # noqa: FBT001
    """Another's frame is heard; our echo, a joint's answer, an error frame are not."""
    asker = Poller(_bench(send=True), now_s=0.0)
    heard = FrameBatch.from_rows([(0, 0x7FF, 0, b""), (0, identifier, flags, asking(MOTION))])
    said = asker.check_received(heard, now_s=0.0)
    assert (said is not None) is foreign
    if said:
        assert f"0x{identifier:03X}" in said
        assert "bus.send = false" in said


ECHO_LAYOUT = """
format = 1
name = "alike"
[[request]]
name = "ask"
identifier = "0x140 + node"
data = "9A"
period_s = 0.1
[[frame]]
name = "answer"
identifier = "0x140 + node"
begins = "9A"
length = 3
echo_within_s = 0.02
"""


def _alike() -> Poller:
    """Return an asker whose joint answers with identifier and first byte of the request."""
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\nsend = true\n[[joint]]\nname = "a"\nlayout = "alike"\n'
        "node = 1\n",
        {"alike": ECHO_LAYOUT},
        where="bench.toml",
    )
    return Poller(bench, now_s=0.0)


ALIKE = FrameBatch.from_rows([(0, 0x141, 0, b"\x9a\x00\x00")])


def test_while_listening_a_frame_that_looks_like_a_request_is_somebody_else():
    """Nobody has asked yet, so it is no answer to us."""
    assert "0x141" in (_alike().check_received(ALIKE, now_s=0.5) or "")


@pytest.mark.parametrize("others", [0, 1])
def test_while_asking_only_more_of_them_than_were_asked_for_are(
    others: int,
):
    """One answer for each request is the joint's; a second master's requests are told by number."""
    asker = _alike()
    refused_s = None
    for step in range(600):
        now_s = LISTEN_BEFORE_POLL_S + step * 0.1 + 1e-6
        assert len(asker.due_requests(now_s)) == 1
        heard = FrameBatch.concatenate([ALIKE] * (1 + 2 * others))
        if refused_s is None and asker.check_received(heard, now_s=now_s + 0.002):
            refused_s = now_s
    assert (refused_s is None) is (others == 0)
    if refused_s is not None:
        assert 1.0 <= refused_s - LISTEN_BEFORE_POLL_S <= 1.3


def test_a_few_leave_together_and_never_all_at_once():
    """Of many requests some share an instant, so that few wakes do; the rest is spread."""
    few = Poller(scenario.scenario_bench(channel="x"), now_s=0.0)
    instants = {round(due_s, 6) for due_s, _ in few._due_times}
    period_s = min(scheduled.period_s for scheduled in few._schedule)
    assert all(
        abs((due_s - LISTEN_BEFORE_POLL_S) / period_s % 1.0 - 0.5) > 0.499 for due_s in instants
    )
    joints = "".join(
        f'[[joint]]\nname = "j{node}"\nlayout = "harvest-joint"\nnode = {node}\n'
        for node in range(1, 25)
    )
    many = Poller(
        bench_from_texts(
            '[bus]\ninterface = "virtual"\nsend = true\n' + joints,
            {"harvest-joint": scenario.scenario_layout_text()},
            where="bench.toml",
        ),
        now_s=0.0,
    )
    step_s = period_s / 64
    sizes = [
        len(many.due_requests(LISTEN_BEFORE_POLL_S + step * step_s)) for step in range(64 * 10)
    ]
    together = [size for size in sizes if size]
    # 24 joints at 100, 20 and 10 Hz: some 31 requests in each hundredth of a second.
    assert sum(together) > 250
    assert max(together) <= 16
    assert 2 < sum(together) / len(together) < 8


PAIR = """format = 1
name = "pair"
[[frame]]
name = "both"
identifier = "0x300 + node"
shared = true
length = 4
[[frame.value]]
channel = "current_A"
byte = 0
bits = 16
slot_bytes = 2
[[request]]
name = "ask"
identifier = "0x200 + node"
data = "07"
period_s = 0.01
"""


def test_one_request_for_two_joints_is_sent_once():
    """Two joints of one node, one frame that asks both: once a period, counted for each."""
    text = '[bus]\ninterface = "virtual"\nsend = true\n' + "".join(
        f'[[joint]]\nname = "{name}"\nlayout = "pair"\nnode = 5\nslot = {slot}\n'
        for slot, name in enumerate(("pan", "tilt"))
    )
    bench = bench_from_texts(text, {"pair": PAIR}, where="bench.toml")
    asker = Poller(bench, now_s=0.0)
    polls = [
        poll
        for step in range(1000)
        for poll in asker.due_requests(LISTEN_BEFORE_POLL_S + step * 1e-3)
    ]
    assert len(polls) == pytest.approx(100, abs=1)
    assert {poll.numbers for poll in polls} == {(0, 1)}
    tracker = ResponseTracker(response_plan(bench, bus=0))
    frames = FrameBatch.from_rows([(5_000_000, 0x305, 0, bytes(4))])
    sent = [(number, at) for at in (0, 50_000_000) for number in polls[0].numbers]
    tracker.process_traffic(sent, frames, until_ns=10**9)
    assert tracker.completed_counts == {"pan": 2, "tilt": 2}
    assert tracker.missed_counts == {"pan": 1, "tilt": 1}
