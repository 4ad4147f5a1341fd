"""Bits of numbers: each by itself, whatever is described beside it."""

import numpy as np

from logger.layout_finder.field_cost import WINDOW, costs_by_length, number_cost

WINDOWS = 10
RESTART = 3600


def _numbers() -> np.ndarray:
    """Return int64[WINDOW, 5, WINDOWS] of 12 bits.

    Noise; a count that starts again at 3600; a sign with a magnitude; two levels; nothing.
    """
    noise = np.random.default_rng(3)
    rows = np.arange(WINDOW * WINDOWS)
    signed = np.round(20 * np.sin(rows / 5)).astype(int)
    kinds = [
        noise.integers(0, 1 << 12, len(rows)),
        rows * 170 % RESTART,
        np.abs(signed) + (signed < 0) * (1 << 11),
        2047 + (rows // 9) % 2,
        0 * rows,
    ]
    return np.array(kinds, dtype=np.int64).reshape(5, WINDOWS, WINDOW).transpose(2, 0, 1).copy()


def test_numbers_side_by_side_cost_what_each_costs_alone():
    """And what is told of one, its sign or where it starts again, is not taken for the others."""
    value = _numbers()
    together = number_cost(value, 12)
    alone = [number_cost(value[:, [number]], 12)[0] for number in range(value.shape[1])]
    assert together.tolist() == alone
    noise, count, signed, levels, nothing = together
    assert nothing == 0
    assert noise > 10 * (WINDOW - 1) * WINDOWS
    assert count < 0.3 * noise
    assert signed < 0.5 * noise
    assert levels < 0.2 * noise


def test_windows_are_described_one_by_one():
    """In any order: nothing goes on from one window to the next."""
    value = _numbers()
    shuffled = np.random.default_rng(4).permutation(WINDOWS)
    np.testing.assert_allclose(number_cost(value[:, :, shuffled], 12), number_cost(value, 12))


def test_no_field_goes_over_a_bit_that_is_taken():
    """Nor begins or ends with one that does not move; all others have a price."""
    bits = np.random.default_rng(5).integers(0, 2, (WINDOW, 6, 4), dtype=np.uint8)
    moving = np.array([True, True, True, False, True, True])
    taken = np.array([False, True, False, False, False, False])
    costs = costs_by_length(bits, moving, taken)
    priced = {(int(lowest), int(length)) for lowest, length in np.argwhere(np.isfinite(costs))}
    assert priced == {(0, 1), (2, 1), (2, 3), (2, 4), (4, 1), (4, 2), (5, 1)}
