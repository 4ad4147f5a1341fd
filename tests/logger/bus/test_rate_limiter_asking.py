"""Asking within a share of the bus: never above it, in turn, and said where it does not fit."""

import re
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.bus.poller import LISTEN_BEFORE_POLL_S, Poller, PollRequest
from logger.joint.batch import EXTENDED, FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.simulate import scenario
from logger.traffic.frame_length import frame_bits, max_frame_bits
from logger.traffic.response_tracker import response_plan
from tests.support.depth import examples

LAYOUT = """
format = 1
name = "asked"
[[request]]
name = "fast"
identifier = "0x100 + node"
data = "41"
period_s = {fast}
[[request]]
name = "slow"
identifier = "0x100 + node"
data = "42 00 00 00"
period_s = {slow}
[[frame]]
name = "fast"
identifier = "0x200 + node"
begins = "41"
length = 3
[[frame]]
name = "slow"
identifier = "0x200 + node"
begins = "42"
length = 8
"""
ANSWER_BITS = max_frame_bits(8, extended=False)


def _bench(
    *, joints: int, share: float, fast: float, slow: float, bitrate: int | None = 500_000
) -> Bench:
    rate = "" if bitrate is None else f"bitrate = {bitrate}\n"
    text = f'[bus]\ninterface = "virtual"\nsend = true\nasking_share = {share}\n{rate}' + "".join(
        f'[[joint]]\nname = "j{node}"\nlayout = "asked"\nnode = {node}\n' for node in range(joints)
    )
    layout = LAYOUT.format(fast=fast, slow=slow)
    return bench_from_texts(text, {"asked": layout}, where="bench.toml")


def _asked(asker: Poller, waits_s: list[float]) -> list[tuple[float, PollRequest]]:
    now_s, asked = LISTEN_BEFORE_POLL_S, []
    for wait_s in waits_s:
        now_s += wait_s
        asked += [(now_s, ask) for ask in asker.due_requests(now_s)]
    return asked


@settings(max_examples=examples(60))
@given(
    joints=st.integers(1, 20),
    share=st.floats(0.02, 0.9),
    fast=st.floats(0.0005, 0.1),
    bitrate=st.sampled_from([50_000, 125_000, 1_000_000]),
    waits_s=st.lists(st.sampled_from([1e-4, 1e-3, 0.01, 0.05, 0.7]), min_size=50, max_size=400),
)
def test_no_half_second_holds_more_than_the_share(
    joints: int, share: float, fast: float, bitrate: int, waits_s: list[float]
):
    """Requests with the answers that they cause, whatever is wanted and however it is held up."""
    bench = _bench(joints=joints, share=share, fast=fast, slow=1.0, bitrate=bitrate)
    asked = _asked(Poller(bench, now_s=0.0), waits_s)
    costs = [(at_s, ask.bits + ANSWER_BITS) for at_s, ask in asked]
    most = share * bitrate * 0.5
    for start_s in {at_s for at_s, _ in costs}:
        within = sum(bits for at_s, bits in costs if start_s <= at_s < start_s + 0.5)
        assert within <= most


@pytest.mark.parametrize("share", [0.05, 0.3, 0.9])
def test_where_it_does_not_fit_each_is_asked_evenly_slower(share: float):
    """Every kind of every joint by the same factor, close to the share, and said once."""
    bench = _bench(joints=8, share=share, fast=0.001, slow=0.02)
    asker = Poller(bench, now_s=0.0)
    asked = _asked(asker, [0.0005] * 40_000)
    counts = Counter(ask.numbers[0] for _, ask in asked)
    for number, count in counts.items():
        expected = 20.0 / ((0.001 if number % 2 == 0 else 0.02) * asker.slowdown)
        assert count == pytest.approx(expected, rel=0.02, abs=2), number
    assert len(counts) == 16
    bits = sum(ask.bits + ANSWER_BITS for _, ask in asked)
    assert 0.9 * share < bits / (500_000 * 20.0) <= share
    ((kind, text),) = asker.remarks
    assert kind == "asked slower"
    assert f"{share:.1%} is allowed (bus.asking_share)" in text
    wanted = re.search(r"would take ([0-9.]+)% of 500000 bit/s", text)
    assert wanted is not None
    assert float(wanted[1]) / 100 / share == pytest.approx(asker.slowdown, rel=0.06)
    # So is the patience for the answers.
    plan = response_plan(bench, bus=0, slower=asker.slowdown)
    assert plan.requests[1].response_window_ns == round(max(2 * 0.02 * asker.slowdown, 0.1) * 1e9)


def test_no_joint_starves_where_there_is_no_room():
    """Thirty joints that are looked after far too seldom all get their turn, slow ones as well."""
    asker = Poller(_bench(joints=30, share=0.3, fast=0.002, slow=0.5), now_s=0.0)
    counts = Counter(ask.numbers[0] for _, ask in _asked(asker, [0.05] * 2000))
    assert len(counts) == 60
    fast = [counts[number] for number in range(0, 60, 2)]
    slow = [counts[number] for number in range(1, 60, 2)]
    assert max(fast) - min(fast) <= 0.1 * max(fast)
    assert max(slow) - min(slow) <= 2
    assert min(slow) >= 0.9 * 100.0 / (0.5 * asker.slowdown) - 2


def test_what_fits_is_asked_as_the_layout_says():
    """The demo takes a twentieth of its bus: nothing is slower, and nothing is said."""
    asker = Poller(scenario.scenario_bench(channel="x"), now_s=0.0)
    assert asker.slowdown == 1.0
    assert asker.remarks == ()


def test_without_a_bit_rate_there_is_no_share():
    """Nobody knows how much it is: each is asked in its own rhythm."""
    asker = Poller(_bench(joints=8, share=0.01, fast=0.001, slow=0.02, bitrate=None), now_s=0.0)
    asked = _asked(asker, [0.0005] * 4000)
    assert asker.slowdown == 1.0
    assert len(asked) == pytest.approx(8 * (2000 + 100), rel=0.03)


def test_a_bus_so_slow_that_one_request_is_more_than_the_share():
    """It is asked as seldom as the share says over a longer time, and all get their turn."""
    asker = Poller(_bench(joints=2, share=0.01, fast=0.01, slow=0.1, bitrate=10_000), now_s=0.0)
    asked = _asked(asker, [0.05] * 20_000)
    bits = sum(ask.bits + ANSWER_BITS for _, ask in asked)
    assert 0.3 * 100 <= bits / 1000.0 <= 1.01 * 100
    assert len({ask.numbers[0] for _, ask in asked}) == 4


@settings(max_examples=examples(200))
@given(
    identifier=st.integers(0, 0x1FFFFFFF),
    payload=st.binary(max_size=8) | st.sampled_from([bytes(8), b"\xff" * 8]),
    extended=st.booleans(),
)
def test_no_frame_is_longer_than_the_longest(identifier: int, payload: bytes, extended: bool):  # noqa: FBT001
    """The bound holds for any identifier and any data."""
    number = identifier if extended else identifier & 0x7FF
    batch = FrameBatch.from_rows([(0, number, EXTENDED if extended else 0, payload)])
    assert int(frame_bits(batch)[0]) <= max_frame_bits(len(payload), extended=extended)
