"""Answers counted: jitter is no miss, a loss is not hidden, a joint that stops is told once."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import ERROR, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.simulate import scenario
from logger.traffic.response_tracker import (
    ResponseChange,
    ResponsePlan,
    ResponseTracker,
    foreign_requests,
    response_plan,
)
from tests.support.demo_drive import answer_id, motion_answer
from tests.support.depth import examples

MS = 1_000_000
S = 1000 * MS
PERIOD_MS = 60


def _bench(requests: str, frames: str) -> Bench:
    layout = 'format = 1\nname = "asked"\n' + requests + frames
    return bench_from_texts(
        '[bus]\ninterface = "virtual"\nchannel = "x"\nbitrate = 500_000\nsend = true\n'
        '[[joint]]\nname = "a"\nlayout = "asked"\nnode = 1\n'
        '[[joint]]\nname = "b"\nlayout = "asked"\nnode = 2\n',
        {"asked": layout},
        where="bench.toml",
    )


def _request(data: str, *, more: str = "") -> str:
    return (
        f'[[request]]\nname = "ask {data}"\nidentifier = "0x100 + node"\ndata = "{data}"\n'
        f"period_s = {PERIOD_MS / 1000}\n{more}\n"
    )


def _frame(begins: str, *, identifier: str = "0x200 + node") -> str:
    return (
        f'[[frame]]\nname = "f{begins}"\nidentifier = "{identifier}"\nbegins = "{begins}"\n'
        "length = 1\n"
    )


TWO = _bench(_request("41") + _request("42"), _frame("41") + _frame("42"))
"""Two joints with two kinds of request each; 2 periods are 120 ms."""


def _answers(times_ms: Sequence[float], *, node: int = 1, lead: int = 0x41) -> FrameBatch:
    return FrameBatch.from_rows(
        [(round(at * MS), 0x200 + node, 0, bytes([lead])) for at in sorted(times_ms)]
    )


def _taken(
    plan: ResponsePlan, sent: list[tuple[int, int]], frames: FrameBatch, *, until_ns: int
) -> tuple[ResponseTracker, list[ResponseChange]]:
    answers = ResponseTracker(plan)
    said = answers.process_traffic(sent, frames, until_ns=until_ns)
    return answers, said


@pytest.mark.parametrize(
    ("sent_ms", "answered_ms", "missed"),
    [
        ([0, 60, 120], [5, 65, 125], 0),
        ([0, 60, 120], [5, 125], 1),
        ([0, 60, 120], [], 3),
        # Later than the next request, once and then again: jitter.
        ([0, 60, 120, 180], [70, 75, 185, 190], 0),
        # Two answers at once, one of them late; the third was lost.
        ([0, 60, 120], [61, 62], 1),
        # Later than two periods is no answer.
        ([0], [120], 1),
        ([0], [119.9], 0),
        # Nobody asked for it.
        ([100], [50], 1),
        ([100], [50, 101, 102, 103], 0),
    ],
)
def test_what_counts_as_missed(sent_ms: list[int], answered_ms: list[float], missed: int):
    """Case by case, one joint and one kind of request."""
    plan = response_plan(TWO, bus=0)
    sent = [(0, at * MS) for at in sent_ms]
    answers, _ = _taken(plan, sent, _answers(answered_ms), until_ns=S)
    assert answers.completed_counts == {"a": len(sent_ms), "b": 0}
    assert answers.missed_counts == {"a": missed, "b": 0}


def _oracle(
    sent: list[tuple[int, int]], heard: list[tuple[int, int]], *, until_ns: int
) -> tuple[int, int]:
    """Return judged and missed, by plain loops; `heard` is (request that it answers, time)."""
    patience = 2 * PERIOD_MS * MS
    waiting: dict[int, list[list[int]]] = {number: [] for number, _ in sent}
    events = [(at, 0, number) for number, at in sent] + [(at, 1, number) for number, at in heard]
    judged = missed = 0
    for at, is_answer, number in sorted(events):
        if not is_answer:
            waiting[number].append([at, 0])
            continue
        for one in reversed(waiting.get(number, [])):
            if not one[1] and one[0] + patience > at:
                one[1] = 1
                break
    for requests in waiting.values():
        for at, answered in requests:
            if at + patience <= until_ns:
                judged += 1
                missed += not answered
    return judged, missed


TIMES = st.integers(0, 2000)


@settings(max_examples=examples(400))
@given(
    sent=st.lists(st.tuples(st.integers(0, 3), TIMES), max_size=40, unique=True),
    heard=st.lists(st.tuples(st.integers(0, 3), TIMES), max_size=60),
    cuts=st.lists(TIMES, max_size=8),
)
def test_as_plain_loops_count_in_any_chunking(
    sent: list[tuple[int, int]], heard: list[tuple[int, int]], cuts: list[int]
):
    """Whole or in pieces, for requests of two joints: the numbers of the loops, the same events."""
    plan = response_plan(TWO, bus=0)
    sent = sorted(((number, at * MS) for number, at in sent), key=lambda one: one[1])
    heard = sorted(((number, at * MS) for number, at in heard), key=lambda one: one[1])
    frames = FrameBatch.from_rows(
        [(at, 0x201 + number // 2, 0, bytes([0x41 + number % 2])) for number, at in heard]
    )
    until_ns = 2200 * MS
    whole, said = _taken(plan, sent, frames, until_ns=until_ns)
    judged, missed = _oracle(sent, heard, until_ns=until_ns)
    assert (sum(whole.completed_counts.values()), whole.missed_total) == (judged, missed)

    pieces, told = ResponseTracker(plan), []
    before = -1
    for cut in [*sorted(cut * MS for cut in cuts), until_ns]:
        rows = (frames.time_ns > before) & (frames.time_ns <= cut)
        some = [one for one in sent if before < one[1] <= cut]
        told += pieces.process_traffic(some, frames.select_rows(rows), until_ns=cut)
        before = cut
    assert (pieces.completed_counts, pieces.missed_counts) == (
        whole.completed_counts,
        whole.missed_counts,
    )
    assert told == said


def test_a_joint_that_stops_is_told_once_and_when_it_is_back():
    """After three seconds of nothing but misses, and at the first answer."""
    plan = response_plan(TWO, bus=0)
    sent = [(0, at * MS) for at in range(0, 12_000, PERIOD_MS)]
    answered = [at / MS + 3 for _, at in sent if at < S or at >= 9 * S]
    answers, said = _taken(plan, sent, _answers(answered), until_ns=20 * S)
    assert [(one.kind, one.joint) for one in said] == [("no answer", "a"), ("answers again", "a")]
    assert 3.9 * S < said[0].time_ns < 4.3 * S
    assert 9.0 * S <= said[1].time_ns < 9.1 * S
    assert "no request for 3.0 s" in said[0].text
    assert answers.missed_counts["a"] == sum(S <= at < 9 * S for _, at in sent)


def test_one_kind_without_answers_is_counted_and_no_silence():
    """A joint that answers something is there: only the count tells of the rest."""
    plan = response_plan(TWO, bus=0)
    sent = sorted(
        [(kind, (at + kind) * MS) for at in range(0, 9000, PERIOD_MS) for kind in (0, 1)],
        key=lambda one: one[1],
    )
    answers, said = _taken(plan, sent, _answers(range(3, 9000, PERIOD_MS)), until_ns=20 * S)
    assert said == []
    assert answers.missed_counts["a"] == 150


def test_of_several_frames_any_answers_and_none_hides_a_loss():
    """Each request brings two frames; where both fail to come, it is missed."""
    bench = _bench(_request("01"), _frame("41") + _frame("42"))
    plan = response_plan(bench, bus=0)
    frames = FrameBatch.from_rows(
        [
            (at * MS, 0x201, 0, bytes([lead]))
            for at in (5, 125, 185, 245)
            for lead in ((0x41, 0x42) if at != 185 else (0x42,))
        ]
    )
    sent = [(0, at * MS) for at in (0, 60, 120, 180, 240)]
    answers, _ = _taken(plan, sent, frames, until_ns=S)
    assert answers.missed_counts["a"] == 1


def test_two_requests_that_share_an_answer():
    """One frame answers one request: that of the newest."""
    bench = _bench(
        _request("01", more='answer = ["f41"]') + _request("02", more='answer = ["f41"]'),
        _frame("41") + _frame("42"),
    )
    plan = response_plan(bench, bus=0)
    answers, _ = _taken(plan, [(0, 0), (1, MS)], _answers([3]), until_ns=S)
    assert answers.missed_counts["a"] == 1
    answers, _ = _taken(plan, [(0, 0), (1, MS)], _answers([3, 4]), until_ns=S)
    assert answers.missed_counts["a"] == 0


def test_a_frame_that_joints_share_answers_each_of_them():
    """One frame with the values of both: either's request is answered by it."""
    shared = (
        '[[frame]]\nname = "both"\nidentifier = "0x300"\nshared = true\nlength = 2\n'
        '[[frame.value]]\nchannel = "current_A"\nbyte = 0\nslot_bytes = 1\nbits = 8\n'
    )
    bench = _bench(_request("01"), shared)
    frames = FrameBatch.from_rows([(5 * MS, 0x300, 0, b"\0\0")])
    answers, _ = _taken(response_plan(bench, bus=0), [(0, 0), (1, MS)], frames, until_ns=S)
    assert answers.missed_counts == {"a": 0, "b": 0}


def test_somebody_elses_request_is_no_answer():
    """What looks like a request that a layout knows is none of the joint's frames."""
    frames = FrameBatch.from_rows([(5 * MS, 0x101, 0, b"\x41"), (6 * MS, 0x102, 0, b"\x42")])
    sent = [(number, 0) for number in range(4)]
    answers, _ = _taken(response_plan(TWO, bus=0), sent, frames, until_ns=S)
    assert answers.missed_counts == {"a": 2, "b": 2}


def test_what_no_frame_answers_is_not_judged():
    """Where no layout says what the answer is, nobody is blamed."""
    bench = _bench(_request("01") + _request("42"), _frame("41") + _frame("42"))
    answers, _ = _taken(response_plan(bench, bus=0), [(0, 0)], FrameBatch.empty(), until_ns=S)
    assert answers.completed_counts == {"a": 0, "b": 0}


def test_lost_frames_blame_nobody():
    """What waits when frames are lost is forgotten, and counting goes on."""
    answers = ResponseTracker(response_plan(TWO, bus=0))
    answers.process_traffic([(0, 0), (2, MS)], FrameBatch.empty(), until_ns=2 * MS)
    answers.reset_pending()
    answers.process_traffic([(0, 60 * MS)], FrameBatch.empty(), until_ns=S)
    assert answers.missed_counts == {"a": 1, "b": 0}


def test_requests_of_somebody_else_are_found():
    """Identifier and all bytes; what we sent, error and remote frames are none."""
    frames = FrameBatch.from_rows(
        [
            (1, 0x101, 0, b"\x41"),
            (2, 0x102, 0, b"\x42"),
            (3, 0x101, 0, b"\x41\x00"),
            (4, 0x101, SENT, b"\x41"),
            (5, 0x101, ERROR, b"\x41"),
            (6, 0x101, REMOTE, b"\x41"),
            (7, 0x103, 0, b"\x41"),
            (8, 0x101, 0, b"\x42"),
        ]
    )
    assert foreign_requests(response_plan(TWO, bus=0), frames) == [(0, 1), (3, 2), (1, 8)]


def test_a_flood_of_answers_takes_no_turn_a_frame():
    """A joint that talks all the time answers what it is asked, and costs nothing a frame."""
    plan = response_plan(scenario.scenario_bench(channel="x"), bus=0)
    times = np.arange(0, S, 100_000)
    frames = FrameBatch.from_rows([(int(at), answer_id(3), 0, motion_answer()) for at in times])
    answers = ResponseTracker(plan)
    answers.process_traffic([(0, at * MS) for at in range(0, 900, 10)], frames, until_ns=2 * S)
    assert answers.completed_counts["shoulder"] == 90
    assert answers.missed_total == 0
