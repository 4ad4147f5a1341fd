"""Counters are found at their place and length, and what only goes on evenly is not."""

import numpy as np
import pytest

from logger.layout_finder.bits import BitField
from logger.layout_finder.counter import count_by_kind, find_counters


def _payload(value: np.ndarray, first: int, length: int, order: str) -> np.ndarray:
    """Put a value into frames of noise, at columns of an order."""
    noise = np.random.default_rng(3).integers(0, 2, (len(value), 64), dtype=np.uint8)
    bits = value[:, None] >> np.arange(length) & 1
    noise[:, first : first + length] = bits if order == "little" else bits[:, ::-1]
    return np.packbits(noise, axis=1, bitorder=order)


@pytest.mark.parametrize(
    ("first", "length", "order", "step"),
    [
        (56, 8, "little", 1),
        (4, 4, "little", 1),
        (18, 11, "big", 1),
        (20, 6, "little", 3),
        (12, 11, "little", 1),
    ],
)
def test_a_counter_is_found_with_lost_frames(first: int, length: int, order: str, step: int):
    """One frame in a hundred is lost; place, length, order and step are found."""
    value = np.arange(3000) * step % (1 << length)
    payload = _payload(value, first, length, order)[np.arange(3000) % 100 != 50]
    (found,) = find_counters(payload)
    assert found.field.little_columns == BitField(first, length, order).little_columns
    assert (found.step, found.modulus) == (step, 1 << length)
    assert length <= 8 or found.field.order == order
    assert found.agreement == pytest.approx(0.99, abs=0.003)


def test_a_counter_that_starts_again_early():
    """Fifteen values in four bits: the modulus is told."""
    (found,) = find_counters(_payload(np.arange(600) % 15, 8, 4, "little"))
    assert (found.modulus, found.field) == (15, BitField(8, 4, "little"))


def test_noise_and_a_moving_value_are_none():
    """A value that turns at nearly even speed has no one step; noise has none either."""
    speed = np.random.default_rng(4).integers(5, 9, 600)
    assert find_counters(_payload(np.cumsum(speed) & 0xFFFF, 0, 16, "little")) == ()
    assert find_counters(np.zeros((10, 8), dtype=np.uint8)) == ()


def test_a_count_of_time_and_kinds_that_go_backwards_are_none():
    """Twenty five ms a frame; four kinds of which the highest comes first."""
    assert find_counters(_payload(np.arange(3000) * 25 & 0x3FFF, 18, 14, "little")) == ()
    assert find_counters(_payload(-np.arange(3000) & 3, 0, 2, "little")) == ()


def test_frames_out_of_the_count_do_not_shorten_it():
    """They agree by chance, of two bits oftener than of three; a flag above is no part of it."""
    rows = np.arange(4000)
    value = rows.copy()
    value[rows % 300 == 7] += np.random.default_rng(8).integers(1, 8, 14)
    counted = (value & 7) | (rows // 1500 % 2 << 3)
    (found,) = find_counters(_payload(counted, 16, 4, "little"))
    assert found.field == BitField(16, 3)


def test_each_kind_may_count_by_itself():
    """Every hundredth frame is of a kind with its own count: across both nearly all are in turn."""
    rows = np.arange(6000)
    seldom = rows % 100 == 99
    value = np.where(seldom, np.cumsum(seldom), np.cumsum(~seldom)) & 0xF
    for counted, expected in ((value, True), (rows & 0xF, False)):
        payload = _payload(counted, 16, 4, "little")
        across = find_counters(payload)
        own = [(int(some.sum()), find_counters(payload[some])) for some in (seldom, ~seldom)]
        assert across[0].field == BitField(16, 4)
        assert count_by_kind(across, own) is expected
    assert not count_by_kind((), [(10, ())])
