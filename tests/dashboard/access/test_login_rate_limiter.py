"""A password cannot be tried often: from one address, nor from many."""

from hypothesis import given
from hypothesis import strategies as st

from dashboard.access.login_rate_limiter import (
    CLIENT_BURST,
    CLIENT_INTERVAL_S,
    MAX_CLIENTS,
    TOTAL_BURST,
    TOTAL_INTERVAL_S,
    LoginRateLimiter,
)


def test_a_few_at_once_then_one_every_so_often():
    """The sixth has to wait; after that time one may be tried, and no more."""
    tries = LoginRateLimiter()
    assert [tries.take_try("10.0.0.9", 0.0) for _ in range(CLIENT_BURST)] == [0.0] * CLIENT_BURST
    assert tries.take_try("10.0.0.9", 0.0) == CLIENT_INTERVAL_S
    assert tries.take_try("10.0.0.9", CLIENT_INTERVAL_S) == 0.0
    assert tries.take_try("10.0.0.9", CLIENT_INTERVAL_S) > 0.0
    assert tries.take_try("10.0.0.8", CLIENT_INTERVAL_S) == 0.0


def test_who_was_let_in_begins_anew():
    """Somebody who mistyped and then got in is not kept waiting next time."""
    tries = LoginRateLimiter()
    for _ in range(CLIENT_BURST):
        tries.take_try("10.0.0.9", 0.0)
    tries.remember_client("10.0.0.9")
    assert tries.take_try("10.0.0.9", 0.0) == 0.0


def test_one_ipv6_network_is_one():
    """Whoever has one address of a /64 has all of them; a mapped address is the IPv4 one."""
    tries = LoginRateLimiter()
    for k in range(CLIENT_BURST):
        assert tries.take_try(f"2001:db8::{k:x}", 0.0) == 0.0
    assert tries.take_try("2001:db8::ffff:1", 0.0) > 0.0
    assert tries.take_try("2001:db8:0:1::1", 0.0) == 0.0
    for _ in range(CLIENT_BURST):
        tries.take_try("::ffff:10.0.0.9", 0.0)
    assert tries.take_try("10.0.0.9", 0.0) > 0.0


@given(st.lists(st.tuples(st.integers(0, 5000), st.floats(0, 20)), max_size=300))
def test_many_addresses_are_no_way_round(steps: list[tuple[int, float]]):
    """However the tries are spread, no more get through than the allowance of all."""
    tries, now_s, through = LoginRateLimiter(), 0.0, 0
    for who, pause_s in steps:
        now_s += pause_s
        through += tries.take_try(f"10.1.{who // 250}.{who % 250}", now_s) == 0.0
    assert through <= TOTAL_BURST + now_s / TOTAL_INTERVAL_S


def test_strangers_do_not_lock_out_who_logged_in_before():
    """Tries from ever new addresses use up what all share, not what a known client has."""
    tries = LoginRateLimiter()
    tries.remember_client("10.0.0.9")
    for who in range(3 * TOTAL_BURST):
        tries.take_try(f"2001:db8:0:{who:x}::1", 0.0)
    assert tries.take_try("10.0.0.8", 0.0) > 0.0
    assert [tries.take_try("10.0.0.9", 0.0) for _ in range(CLIENT_BURST)] == [0.0] * CLIENT_BURST
    assert tries.take_try("10.0.0.9", 0.0) == CLIENT_INTERVAL_S


def test_the_memory_of_tries_is_bounded():
    """A million addresses that try, or log in, are not a million entries."""
    tries = LoginRateLimiter()
    for who in range(3 * MAX_CLIENTS):
        tries.take_try(f"2001:db8:0:{who:x}::1", float(who))
        tries.remember_client(f"2001:db8:1:{who:x}::1")
        tries.take_try(f"2001:db8:1:{who:x}::1", float(who))
    assert len(tries._by_client) <= MAX_CLIENTS
    assert len(tries._known) <= MAX_CLIENTS
