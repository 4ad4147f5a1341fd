"""Kinds of frames of one identifier are told apart, and measured values do not split them."""

import numpy as np
import pytest

from logger.layout_finder import multiplexer
from logger.layout_finder.bits import BitField
from logger.layout_finder.borders import describe_frames
from logger.layout_finder.multiplexer import find_multiplexer
from tests.logger.layout_finder.moved_joint import write_frames


def _kind(row: int, kind: int, noise: np.random.Generator) -> list[int]:
    value = 3000 + 9000 * kind + row * (kind + 1) // 4 + int(noise.integers(3))
    return [value & 0xFF, value >> 8 & 0xFF, 40 + 60 * kind, 0]


@pytest.mark.parametrize("counts_beside", [False, True])
def test_kinds_are_told_apart(counts_beside: bool):  # noqa: FBT001
    """Three kinds in turn by a byte; or by the low half of a byte that counts in the high one."""
    noise = np.random.default_rng(5)
    rows = []
    for row in range(900):
        kind = row % 3
        selector = kind + (row % 16 << 4) if counts_beside else 0x30 + kind
        rows.append([selector, *_kind(row, kind, noise)])
    payload = np.array(rows, dtype=np.uint8)
    counter = [BitField(4, 4)] if counts_beside else []
    found = find_multiplexer(np.arange(len(payload)) / 100.0, payload, counter)
    assert found is not None
    assert found.values == ((0, 1, 2) if counts_beside else (0x30, 0x31, 0x32))
    assert found.field == (BitField(0, 4) if counts_beside else BitField(0, 8))
    assert found.ratio < 0.5


def test_a_state_and_a_high_byte_are_none():
    """A state that changed twice, and the high byte of a value that moves."""
    position = (np.sin(np.arange(800) / 60) * 900).astype(int) & 0xFFFF
    state = np.arange(800) // 300
    payload = np.stack([position >> 8, position & 0xFF, state], axis=1).astype(np.uint8)
    assert find_multiplexer(np.arange(len(payload)) / 100.0, payload) is None


def test_nothing_that_changes_is_none():
    """Frames that are all the same have one kind."""
    assert find_multiplexer(np.arange(500) / 100.0, np.zeros((500, 8), dtype=np.uint8)) is None


def test_the_sign_of_noise_is_none():
    """The upper half byte of a noisy speed about zero: its sign changes the bits below as well."""
    noise = np.round(np.random.default_rng(6).normal(0, 6, 1200)).astype(int) & 0xFFF
    payload = np.stack([noise >> 8, noise & 0xFF], axis=1).astype(np.uint8)
    assert find_multiplexer(np.arange(len(payload)) / 100.0, payload) is None


def test_the_upper_bytes_of_a_sign_are_none():
    """32 bits of a small number: all its upper bits change together as it crosses zero."""
    noise = np.round(np.random.default_rng(7).normal(0, 6, 1600)).astype(np.int64) & 0xFFFFFFFF
    payload = np.stack([noise >> shift & 0xFF for shift in (24, 16, 8, 0)], axis=1)
    found = find_multiplexer(np.arange(1600) / 100.0, payload.astype(np.uint8))
    assert found is None


@pytest.mark.parametrize(
    ("field", "others"),
    [(BitField(16, 8), {8: (0, 64)}), (BitField(13, 3), {})],
)
def test_constants_of_the_kinds_are_not_what_tells_them_apart(field: BitField, others: dict):
    """A byte that one kind does not use parts the frames as well; three bits above a value do."""
    noise = np.random.default_rng(9)
    rows = np.arange(900)
    kind = rows % 2
    way = 3000 + 900 * kind + rows * (kind + 1) // 4 + noise.integers(0, 3, 900)
    bits = {field: 2 + kind, BitField(40, 16): way}
    if field.length == 3:
        bits[BitField(0, 13)] = (np.cumsum(noise.integers(-3, 40, 900)) + 4000 * kind) & 0x1FFF
    bits |= {BitField(column, 8): np.where(kind, *pair) for column, pair in others.items()}
    payload = write_frames(bits, 900, 8)
    found = find_multiplexer(rows / 100.0, payload)
    assert found is not None
    assert (found.field, found.values) == (field, (2, 3))


def test_the_lowest_bits_of_a_count_of_time_are_none():
    """Two bits that take four values in turn, and cost nothing where the count is read whole."""
    rows = np.arange(1200)
    payload = write_frames({BitField(8, 16, "big"): rows * 49 & 0xFFFF}, len(rows), 3)
    assert find_multiplexer(rows / 20.0, payload) is None


def test_kinds_are_described_only_until_they_cannot_save_enough(monkeypatch: pytest.MonkeyPatch):
    """Half a byte that counts beside a noisy value: 16 kinds, each as dear as all frames."""
    described: list[int] = []

    def describe(payload: np.ndarray, *args: object) -> tuple[float, ...]:
        described.append(len(payload))
        return describe_frames(payload, *args)

    monkeypatch.setattr(multiplexer, "describe_frames", describe)
    rows = np.arange(1600)
    way = np.cumsum(np.random.default_rng(14).integers(-300, 340, len(rows))) & 0xFFFF
    payload = write_frames({BitField(4, 4): rows & 15, BitField(8, 16): way}, len(rows), 3)
    assert find_multiplexer(rows / 100.0, payload) is None
    by_sixteen = described.count(len(rows) // 16)
    assert 0 < by_sixteen < 15


def _two_kinds(first: dict, second: dict, rare: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Return times and frames: every `rare`-th is of the second kind, each has its timer."""
    count = 2400
    rows = np.arange(count)
    payload = write_frames(first, count, 8)
    is_second = rows % rare == rare - 1
    payload[is_second] = write_frames(second, count, 8)[is_second]
    return (np.cumsum(~is_second) + 0.2 * is_second) / 100.0, payload


def test_a_value_that_parts_nearly_all_frames_alike_is_none():
    """A whole degree whose lowest bits hardly ever are those of the frames between."""
    noise = np.random.default_rng(11)
    rows = np.arange(2400)
    way = np.cumsum(noise.integers(-30, 40, 2400)) & 0xFFFF
    degrees = 0x43 + np.isin(rows // 5, (70, 200, 201, 330, 420))
    time_s, payload = _two_kinds(
        {BitField(8, 8): 3 + 0 * rows, BitField(16, 16): way},
        {BitField(8, 8): 60 + 0 * rows, BitField(40, 8): degrees, BitField(48, 8): rows >> 8},
    )
    found = find_multiplexer(time_s, payload)
    assert found is not None
    assert (found.field, found.values) == (BitField(8, 8), (3, 60))


@pytest.mark.parametrize(
    ("true", "values", "slow", "start", "flags"),
    [
        # The upper half byte of a temperature, of which the other kind has nothing.
        (BitField(48, 8), (4, 5), BitField(0, 12), 0x110, {}),
        # Its second byte, beside one that stays what it is in the other kind.
        (BitField(56, 8), (2, 10), BitField(4, 12), 0x32A, {BitField(4, 12): 0x22E}),
        # Two flags that never change.
        (BitField(56, 8), (75, 3), BitField(14, 10, "big"), 0x26, {BitField(0, 8): 0x8A}),
    ],
)
def test_still_bits_of_values_are_not_what_tells_kinds_apart(
    true: BitField, values: tuple, slow: BitField, start: int, flags: dict
):
    """Bits that never change within a kind part the frames as well as what tells kinds apart."""
    noise = np.random.default_rng(12)
    rows = np.arange(2400)
    way = np.cumsum(noise.integers(-300, 340, 2400)) & 0xFFFF
    moved = {field: value ^ (rows // 400 & 4) for field, value in flags.items()}
    time_s, payload = _two_kinds(
        {true: values[0] + 0 * rows, BitField(24, 16): way, **moved},
        {true: values[1] + 0 * rows, slow: start + rows // 600, BitField(24, 16): rows // 300},
        rare=2,
    )
    found = find_multiplexer(time_s, payload)
    assert found is not None
    assert (found.field, found.values) == (true, tuple(sorted(values)))


def test_half_a_byte_above_a_counter_of_each_kind_tells_kinds_apart():
    """And not the constant of one kind, where the other one has nothing."""
    noise = np.random.default_rng(13)
    rows = np.arange(2400)
    way = np.cumsum(noise.integers(-300, 340, 2400)) & 0xFFFF
    kind, selector, counter = BitField(48, 4), BitField(44, 4), BitField(40, 3)
    time_s, payload = _two_kinds(
        {selector: 3 + 0 * rows, BitField(0, 16): way, counter: (rows - rows // 5) & 7},
        {selector: 4 + 0 * rows, kind: 1 + 0 * rows, counter: rows // 5 & 7},
    )
    found = find_multiplexer(time_s, payload)
    assert found is not None
    assert (found.field, found.values) == (selector, (3, 4))
