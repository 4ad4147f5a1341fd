"""Asking: in its rhythm, only with leave, and never with an identifier that is somebody else's."""

from collections import Counter

import pytest

from logger.bus.request import LISTEN_S, Asker
from logger.joint.batch import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from logger.joint.bench import bench_from
from logger.simulate import scenario

LAYOUTS = {"harvest-joint": scenario.layout_text()}


def _bench(*, send: bool):
    text = scenario.bench_text("x").replace("send      = true", f"send = {str(send).lower()}")
    return bench_from(text, LAYOUTS, where="bench.toml")


def test_without_leave_there_is_nothing_to_ask():
    """With send = false no request is even planned, whatever the layout names."""
    asker = Asker(_bench(send=False), now_s=0.0)
    assert not asker
    assert asker.due(1e9) == []
    assert asker.heard(FrameBatch.of([(0, 0x1C3, 0, b"\x41")])) is None


def test_it_listens_first():
    """Nothing is due before the bus was listened to."""
    asker = Asker(_bench(send=True), now_s=100.0)
    assert asker.due(100.0 + LISTEN_S - 0.001) == []
    assert asker.due(100.0 + LISTEN_S) != []


def test_each_in_its_own_rhythm():
    """Over ten seconds 100, 20 and 10 requests a second of each joint leave, evenly."""
    asker = Asker(_bench(send=True), now_s=0.0)
    sent: Counter[tuple[int, bytes]] = Counter()
    for step in range(10_000):
        for message in asker.due(LISTEN_S + step * 1e-3):
            sent[message.arbitration_id, bytes(message.data)] += 1
    for identifier in (0x1C3, 0x1C4):
        assert sent[identifier, b"\x41"] == pytest.approx(1000, abs=2)
        assert sent[identifier, b"\x53"] == pytest.approx(200, abs=2)
        assert sent[identifier, b"\x48"] == pytest.approx(100, abs=2)


def test_what_was_missed_is_not_made_up_for():
    """After a stall of a minute each request is due once, not in a burst."""
    asker = Asker(_bench(send=True), now_s=0.0)
    asker.due(LISTEN_S)
    assert len(asker.due(LISTEN_S + 60.0)) == 6
    assert len(asker.due(LISTEN_S + 60.0)) == 0
    assert 0.0 <= asker.next_s(LISTEN_S + 60.0) <= 0.01


@pytest.mark.parametrize(
    ("identifier", "flags", "foreign"),
    [
        (0x1C3, 0, True),
        (0x1C4, REMOTE, True),
        (0x1C3, SENT, False),
        (0x1C3, EXTENDED, False),
        (0x1C3, ERROR, False),
        (0x2C3, 0, False),
    ],
)
def test_who_sends_our_identifier(identifier: int, flags: int, foreign: bool):  # noqa: FBT001
    """Another's frame is heard; our echo, a joint's answer, an error frame are not."""
    asker = Asker(_bench(send=True), now_s=0.0)
    said = asker.heard(FrameBatch.of([(0, 0x7FF, 0, b""), (0, identifier, flags, b"\x41")]))
    assert (said is not None) is foreign
    if said:
        assert f"0x{identifier:03X}" in said
        assert "bus.send = false" in said
