"""The share of a bus: never more in any window, and no less than fits."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.bus.rate_limiter import RATE_WINDOW_S, RateLimiter
from tests.support.depth import examples


@settings(max_examples=examples(300))
@given(
    st.floats(100.0, 3e5),
    st.lists(st.tuples(st.floats(0.0, 0.2), st.integers(1, 400)), min_size=1, max_size=200),
)
def test_no_window_holds_more(bits_per_s: float, wanted: list[tuple[float, int]]):
    """Whatever is wanted when: every window of the span holds at most the share."""
    share = RateLimiter(bits_per_s=bits_per_s, largest_bits=400)
    now_s, granted = 1000.0, []
    for wait_s, bits in wanted:
        now_s += wait_s
        if share.try_grant(bits, now_s=now_s):
            granted.append((now_s, bits))
    for start_s, _ in granted:
        within = sum(bits for at_s, bits in granted if start_s <= at_s < start_s + share.span_s)
        assert within <= max(bits_per_s * share.span_s, 400) * (1 + 1e-9)
    assert share.span_s >= RATE_WINDOW_S


@settings(max_examples=examples(200))
@given(st.floats(1000.0, 1e5), st.lists(st.integers(1, 300), min_size=1, max_size=60))
def test_when_there_will_be_room_is_told(bits_per_s: float, wanted: list[int]):
    """After exactly that wait it fits, and just before it does not."""
    share = RateLimiter(bits_per_s=bits_per_s, largest_bits=300)
    now_s = 0.0
    for bits in wanted:
        wait_s = share.wait_for_room_s(bits, now_s=now_s)
        if wait_s > 1e-6:
            assert not share.try_grant(bits, now_s=now_s)
            assert not share.try_grant(bits, now_s=now_s + wait_s - 1e-7)
        now_s += wait_s + 1e-9
        assert share.try_grant(bits, now_s=now_s)
