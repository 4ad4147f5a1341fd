"""Traffic that is held until something can follow from it: the same events, the same counts."""

import dataclasses
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.bus.poller import Poller
from logger.bus.source import Received
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.recording.polling import Polling
from logger.traffic.response_tracker import ResponseTracker, response_plan
from tests.logger.recording.test_polling import LAYOUT

MS = 1_000_000
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\nsend = true\nbitrate = 500000\n'
    '[[joint]]\nname = "a"\nlayout = "asked"\nnode = 1\n'
    '[[joint]]\nname = "b"\nlayout = "asked"\nnode = 2\n',
    {"asked": LAYOUT},
    where="bench.toml",
)


class _Told:
    """Keeps what is told in place of an event log."""

    def __init__(self) -> None:
        self.events: list[tuple[Any, ...]] = []

    def emit(self, kind: object, *, time_ns: int, joint: str = "", text: str = "", **_: Any):
        self.events.append((kind, time_ns, joint, text))


@dataclasses.dataclass
class _AtOnce:
    """The same without holding anything."""

    told: _Told
    tracker: ResponseTracker

    def match_answers(self, received: Received) -> None:
        is_lossy = bool(received.lost)
        if is_lossy:
            self.tracker.reset_pending()
        sent = () if is_lossy else received.sent_requests
        for change in self.tracker.process_traffic(
            sent, received.frames, until_ns=received.until_ns
        ):
            self.told.emit(
                change.kind,
                time_ns=max(received.until_ns, change.time_ns),
                joint=change.joint,
                text=change.text,
            )


def _traffic(random: np.random.Generator, turns: int) -> list[Received]:
    """Return what a bus brings in turns of 0.1 s; each joint fails to answer now and then."""
    answers = {0: 1.0, 1: 1.0}
    batches, waiting = [], []
    for turn in range(turns):
        if turn % 40 == 0:
            answers = {joint: float(random.choice([0.0, 0.0, 0.5, 1.0, 1.0])) for joint in answers}
        begin_ns, until_ns = turn * 100 * MS, (turn + 1) * 100 * MS
        sent, frames = [], [one for one in waiting if one[0] < until_ns]
        waiting = [one for one in waiting if one[0] >= until_ns]
        for number in (0, 1):
            for at_ns in range(begin_ns + number * MS, until_ns, 20 * MS):
                sent.append((number, at_ns))
                if random.random() < answers[number]:
                    late_ns = int(random.choice([1, 5, 19, 60, 130])) * MS
                    one = (at_ns + late_ns, 0x201 + number, 0, b"\x41\x00\x00")
                    (frames if one[0] < until_ns else waiting).append(one)
        batches.append(
            Received(
                frames=FrameBatch.from_rows(sorted(frames)),
                until_ns=until_ns,
                sent_requests=tuple(sorted(sent, key=lambda one: one[1])),
                lost=int(random.random() < 0.02),
            )
        )
    return batches


def _compare(seed: int, turns: int, look: int) -> tuple[int, int]:
    """Return how many events there were, and how often nothing had to be matched."""
    plan = response_plan(BENCH, bus=0)
    at_once = _AtOnce(_Told(), ResponseTracker(plan))
    told = _Told()
    held = Polling(BENCH, [Poller(BENCH, now_s=0.0)], told, start_ns=0)  # type: ignore[arg-type] - it only tells
    waits = 0
    for turn, received in enumerate(_traffic(np.random.default_rng(seed), turns)):
        at_once.match_answers(received)
        held.match_answers(received, time_ns=received.until_ns)
        assert told.events == at_once.told.events
        waits += bool(held._held[0].frames)
        if turn % look == 0:
            assert held.missed_total(0) == at_once.tracker.missed_total
    return len(told.events), waits


@settings(max_examples=40)
@given(seed=st.integers(0, 2**32), look=st.integers(1, 20))
def test_the_same_is_told_in_the_same_turn(seed: int, look: int):
    """Joints that stop answering and begin again, frames that are lost: event for event."""
    _compare(seed, turns=120, look=look)


def test_the_traffic_is_worth_it():
    """Some joints stop and answer again; as long as they answer, most turns match nothing."""
    events, waits = map(sum, zip(*[_compare(seed, 200, 10) for seed in range(6)], strict=True))
    assert events > 6
    assert waits > 200
