"""What asking costs the recorder: planning, listening for others, counting answers."""

from typing import Final

import can
import numpy as np
import pytest

from logger.bus.poller import LISTEN_BEFORE_POLL_S, Poller
from logger.joint.batch import FrameBatch
from logger.simulate import scenario
from logger.traffic.response_tracker import ResponseTracker, response_plan
from tests.benchmarks.measure import guard_at_most, measure_cpu_s, report
from tests.support.demo_drive import HEALTH, MOTION, SET_POINTS, answer_id

pytestmark = pytest.mark.slow

MS: Final = 1_000_000
TICK_MS: Final = 50
SPAN_S: Final = 20
# About 0.8: less work than the send it goes with.
MOST_OF_A_SEND: Final = 2.0


def _answers(asked: list[tuple[int, int]]) -> FrameBatch:
    kinds = (MOTION, SET_POINTS, HEALTH)
    return FrameBatch.from_rows(
        [
            (at + MS, answer_id(3 + number // 3), 0, bytes([0, kinds[number % 3] << 5]) + bytes(4))
            for number, at in asked
        ]
    )


def test_asking_and_counting():
    """Two joints at 1 kHz, all answered: a request costs no more than sending a frame, about."""
    bench = scenario.scenario_bench(channel="x", rate_Hz=1000.0)
    asked: list[tuple[int, int]] = []

    def ask() -> None:
        asker = Poller(bench, now_s=0.0)
        asked.clear()
        for step in range(SPAN_S * 1000):
            now_s = LISTEN_BEFORE_POLL_S + step * 1e-3
            asked.extend((one.numbers[0], step * MS) for one in asker.due_requests(now_s))
            asker.next_due_s(now_s)

    planning_us = measure_cpu_s(ask) / len(asked) * 1e6
    report("asking: planning what is due, a request", planning_us, "us")

    ticks = []
    times = np.array([at for _, at in asked])
    for start in range(0, SPAN_S * 1000, TICK_MS):
        rows = np.searchsorted(times, [start * MS, (start + TICK_MS) * MS])
        some = asked[rows[0] : rows[1]]
        ticks.append((some, _answers(some), (start + TICK_MS) * MS))

    plan = response_plan(bench, bus=0)

    def count() -> None:
        answers = ResponseTracker(plan)
        for some, frames, until_ns in ticks:
            answers.process_traffic(some, frames, until_ns=until_ns)
        assert answers.missed_total == 0

    counting_us = measure_cpu_s(count) / len(asked) * 1e6
    report("asking: counting answers, a request with its answer", counting_us, "us")

    asker = Poller(bench, now_s=0.0)

    def listen() -> None:
        for _, frames, _ in ticks:
            assert asker.check_received(frames, now_s=0.0) is None

    listening_us = measure_cpu_s(listen) / len(asked) * 1e6
    report("asking: listening for others, a frame", listening_us, "us")
    with (
        can.Bus(interface="virtual", channel="ask-bench") as bus,
        can.Bus(interface="virtual", channel="ask-bench") as other,
    ):
        message = asker.due_requests(LISTEN_BEFORE_POLL_S)[0].message

        def send() -> None:
            for _ in range(10_000):
                bus.send(message)
            while other.recv(0) is not None:
                pass

        sending_us = measure_cpu_s(send) / 1e4 * 1e6
    report("   python-can's own send on the in-process bus", sending_us, "us")
    guard_at_most(
        "asking: all of it / python-can's own send",
        (planning_us + counting_us + listening_us) / sending_us,
        MOST_OF_A_SEND,
    )
