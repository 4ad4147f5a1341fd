"""A password cannot be tried often: from one address, nor from many."""

from hypothesis import given
from hypothesis import strategies as st

from dashboard.access.login_rate_limiter import (
    ALL_BURST,
    ALL_EVERY_S,
    EACH_BURST,
    EACH_EVERY_S,
    Tries,
)


def test_a_few_at_once_then_one_every_so_often():
    """The sixth has to wait; after that time one may be tried, and no more."""
    tries = Tries()
    assert [tries.wait_s("10.0.0.9", 0.0) for _ in range(EACH_BURST)] == [0.0] * EACH_BURST
    assert tries.wait_s("10.0.0.9", 0.0) == EACH_EVERY_S
    assert tries.wait_s("10.0.0.9", EACH_EVERY_S) == 0.0
    assert tries.wait_s("10.0.0.9", EACH_EVERY_S) > 0.0
    assert tries.wait_s("10.0.0.8", EACH_EVERY_S) == 0.0


def test_who_was_let_in_begins_anew():
    """Somebody who mistyped and then got in is not kept waiting next time."""
    tries = Tries()
    for _ in range(EACH_BURST):
        tries.wait_s("10.0.0.9", 0.0)
    tries.forget("10.0.0.9")
    assert tries.wait_s("10.0.0.9", 0.0) == 0.0


def test_one_ipv6_network_is_one():
    """Whoever has one address of a /64 has all of them; a mapped address is the IPv4 one."""
    tries = Tries()
    for k in range(EACH_BURST):
        assert tries.wait_s(f"2001:db8::{k:x}", 0.0) == 0.0
    assert tries.wait_s("2001:db8::ffff:1", 0.0) > 0.0
    assert tries.wait_s("2001:db8:0:1::1", 0.0) == 0.0
    for _ in range(EACH_BURST):
        tries.wait_s("::ffff:10.0.0.9", 0.0)
    assert tries.wait_s("10.0.0.9", 0.0) > 0.0


@given(st.lists(st.tuples(st.integers(0, 5000), st.floats(0, 20)), max_size=300))
def test_many_addresses_are_no_way_round(steps: list[tuple[int, float]]):
    """However the tries are spread, no more get through than the allowance of all."""
    tries, now_s, through = Tries(), 0.0, 0
    for who, pause_s in steps:
        now_s += pause_s
        through += tries.wait_s(f"10.1.{who // 250}.{who % 250}", now_s) == 0.0
    assert through <= ALL_BURST + now_s / ALL_EVERY_S
