"""Answers that look like their request: told apart by order and time, or counted."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.joint.decode.loopback import NO_ECHO_STATE, EchoState, is_response

MS = 1_000_000
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "motion"
identifier = "0x140 + node"
begins = "9C"
length = 8
echo_within_s = 0.002
  [[frame.value]]
  channel = "speed_rad_s"
  byte = 4
  bits = 16
  signed = true
"""


def _bench(send: str = "false") -> str:
    return (
        f'[bus]\ninterface = "virtual"\nbitrate = 1000000\nsend = {send}\n'
        '[[joint]]\nname = "a"\nlayout = "l"\nnode = 1\n'
    )


def _by_hand(times: list[int], within: int) -> tuple[list[bool], int, int]:
    """Walk frame by frame: what a person with a list of stamps would say."""
    answer: list[bool] = []
    unclear = single = 0
    run = 0
    before: int | None = None
    for time in times:
        if before is None or time - before > within:
            single += run == 1
            run = 0
        answer.append(run == 1)
        unclear += run >= 2
        run += 1
        before = time
    return answer, unclear, single


@given(
    steps=st.lists(st.integers(0, 6), max_size=60),
    within=st.integers(1, 4),
    cuts=st.lists(st.integers(0, 60), max_size=5),
)
def test_any_chunking_says_what_a_person_would(steps: list[int], within: int, cuts: list[int]):
    """The same answers and counts as a walk by hand, however the frames are cut into batches."""
    times = np.cumsum([1000, *steps])[: len(steps)].astype(np.int64)
    state: EchoState = NO_ECHO_STATE
    found: list[bool] = []
    unclear = single = 0
    edges = sorted({0, len(times), *(cut for cut in cuts if cut <= len(times))})
    for start, end in itertools.pairwise(edges):
        answer, more, alone, state = is_response(times[start:end], within_ns=within, state=state)
        found += answer.tolist()
        unclear += more
        single += alone
    assert (found, unclear, single) == _by_hand(times.tolist(), within)


def _heard(
    stamps_ms: list[float], *, send: str = "false"
) -> tuple[list[float], dict[str, int], int]:
    """Return the speeds that were decoded, the rejects and the requests."""
    frames = FrameBatch.from_rows(
        [
            (round(at * MS), 0x141, 0, bytes([0x9C, 0, 0, 0, number, 0, 0, 0]))
            for number, at in enumerate(stamps_ms)
        ]
    )
    plan = decode_plan(bench_from_texts(_bench(send), {"l": LAYOUT}, where="bench.toml"))
    decoded, _ = decode(plan, DecodeState(), frames)
    speeds = decoded.readings[0].columns["speed_rad_s"].tolist()
    assert len(speeds) + decoded.requests == len(frames)
    return speeds, dict(decoded.rejected), decoded.requests


def test_request_and_answer_in_turn():
    """Q R . . Q R: every second is decoded, no request is taken for an answer."""
    assert _heard([0, 0.4, 10, 10.4, 20, 20.3]) == ([1, 3, 5], {}, 3)


@pytest.mark.parametrize(
    ("stamps", "speeds", "lost"),
    [
        # The second answer was lost, the second request was lost.
        ([0, 0.4, 10, 20, 20.4], [1, 4], "request or response without its other half"),
        ([0, 0.4, 10.4, 20, 20.4], [1, 4], "request or response without its other half"),
    ],
)
def test_a_lost_frame_costs_itself_and_no_more(stamps: list[float], speeds: list[float], lost: str):
    """After a loss the next pair is told again; the half that is left is counted, not guessed."""
    found, rejected, _ = _heard(stamps)
    assert found == speeds
    assert rejected == {lost: 1}


def test_no_pause_no_guess():
    """Asked again before the pause: what follows cannot be told, until there is one."""
    speeds, rejected, _ = _heard([0, 0.4, 1.0, 1.4, 2.0, 10, 10.4])
    assert speeds == [1, 6]
    assert rejected == {"request or response, ambiguous": 3}


def test_who_asks_hears_answers_only():
    """With send = true the requests are ours: they are not heard, and each frame is an answer."""
    assert _heard([0, 10, 20], send="true") == ([0, 1, 2], {}, 0)
