"""Checksums of every family are found from frames, and what only looks like one is not."""

import numpy as np
import pytest

from logger.layout_finder.checksum import (
    ChecksumFamily,
    compute_checksum,
    find_checksum,
    rank_over_gf2,
)


def _crc8(data: bytes, polynomial: int, start: int, final: int, *, reflected: bool) -> int:
    """Bit by bit, as a manual writes it; not the tables of the finder."""

    def mirrored(byte: int) -> int:
        return int(f"{byte:08b}"[::-1], 2)

    state = start
    for byte in data:
        state ^= mirrored(byte) if reflected else byte
        for _ in range(8):
            state = (state << 1 ^ (polynomial if state & 0x80 else 0)) & 0xFF
    return (mirrored(state) if reflected else state) ^ final


def _frames(checksum_of, *, place: int = 7, count: int = 300) -> np.ndarray:
    """Two noisy 16 bit values, one slow byte, two that never change, and the checksum."""
    noise = np.random.default_rng(1)
    position = np.cumsum(noise.integers(0, 40, count)) & 0xFFFF
    current = noise.integers(-90, 90, count) & 0xFFFF
    frames = []
    for row in range(count):
        others = bytes(
            (
                *(0x5A, position[row] & 0xFF, position[row] >> 8, 30 + row // 90),
                *(current[row] >> 8, current[row] & 0xFF, 0),
            )
        )
        frames.append(others[:place] + bytes([checksum_of(others)]) + others[place:])
    return np.frombuffer(b"".join(frames), dtype=np.uint8).reshape(count, 8).copy()


@pytest.mark.parametrize("reflected", [False, True])
@pytest.mark.parametrize("polynomial", [0x07, 0x2F, 0xD5])
def test_a_crc_is_found_with_its_polynomial(polynomial: int, reflected: bool):  # noqa: FBT001
    """Whatever start value and final XOR went into it."""
    payload = _frames(lambda data: _crc8(data, polynomial, 0xC3, 0x55, reflected=reflected))
    found = find_checksum(payload)
    assert found is not None
    assert (found.byte, found.polynomial, found.agreement) == (7, polynomial, 1.0)
    expected = ChecksumFamily.REFLECTED_CRC8 if reflected else ChecksumFamily.CRC8
    assert found.family is expected
    assert found.evidence_bits > 40
    assert (compute_checksum(payload, found) == payload[:, 7]).all()


@pytest.mark.parametrize("place", [0, 7])
@pytest.mark.parametrize(
    ("family", "checksum_of"),
    [
        (ChecksumFamily.SUM, lambda data: sum(data) + 3 & 0xFF),
        (ChecksumFamily.NEGATIVE_SUM, lambda data: 0xFF - (sum(data) & 0xFF)),
        (ChecksumFamily.XOR, lambda data: int(np.bitwise_xor.reduce(list(data))) ^ 0x99),
    ],
)
def test_sum_and_xor_are_found_first_and_last(family, checksum_of, place: int):
    """The constant is part of what is found."""
    payload = _frames(checksum_of, place=place)
    found = find_checksum(payload)
    assert found is not None
    assert (found.family, found.byte) == (family, place)
    assert (compute_checksum(payload, found) == payload[:, place]).all()


def test_bytes_left_out_are_told():
    """A sum that leaves out a first byte which changes is found so."""
    payload = _frames(lambda data: sum(data[1:]) & 0xFF)
    payload[:, 0] = np.random.default_rng(6).integers(0, 256, len(payload))
    found = find_checksum(payload)
    assert found is not None
    assert (found.family, found.skipped) == (ChecksumFamily.SUM, 1)


def test_a_damaged_frame_does_not_hide_it():
    """One frame in 300 with a wrong byte: found, with the share that agrees."""
    payload = _frames(lambda data: _crc8(data, 0x07, 0, 0, reflected=False))
    payload[150, 2] ^= 0x10
    found = find_checksum(payload)
    assert found is not None
    assert found.polynomial == 0x07
    assert 0.99 < found.agreement < 1.0


def test_noise_a_copy_and_slow_frames_are_no_checksum():
    """A random byte; a value sent twice, whose XOR is zero; frames with few differences."""
    noise = np.random.default_rng(2)
    assert find_checksum(_frames(lambda _: int(noise.integers(256)))) is None
    value = noise.integers(0, 256, (300, 2), dtype=np.uint8)
    assert find_checksum(np.hstack([value, value])) is None
    slow = np.zeros((300, 8), dtype=np.uint8)
    slow[:, 7] = slow[:, 0] = np.arange(300) // 100
    assert find_checksum(slow) is None


def test_rank_over_gf2():
    """The XOR of two rows is not independent of them."""
    assert rank_over_gf2(np.array([[1, 0], [0, 8], [1, 8], [0, 0]], dtype=np.uint8)) == 2


@pytest.mark.parametrize("place", [1, 3])
def test_a_xor_in_the_middle_of_a_frame_is_the_byte_without_which_the_rest_is_simple(place: int):
    """Of a constant XOR each byte follows from the others: that which moves as none does is it."""
    payload = _frames(lambda data: _xor(data) ^ 0x3C, place=place)
    found = find_checksum(payload)
    assert found is not None
    assert (found.byte, found.family) == (place, ChecksumFamily.XOR)


def test_a_crc_may_leave_the_last_bytes_out():
    """Two bytes between those that it covers and itself."""
    payload = _frames(lambda data: _crc8(data[:5], 0x07, 0xFF, 0, reflected=False))
    found = find_checksum(payload)
    assert found is not None
    assert (found.byte, found.polynomial, found.skipped_end) == (7, 0x07, 2)
    assert (compute_checksum(payload, found) == payload[:, 7]).all()


def _xor(data: bytes) -> int:
    total = 0
    for byte in data:
        total ^= byte
    return total


def test_of_noise_and_its_checksum_the_checksum_is_behind():
    """Both are as dear to write down, and either follows from the rest."""
    noise = np.random.default_rng(21).integers(0, 256, 900)
    payload = np.stack([noise, np.arange(900) // 7 & 0xFF, noise * 0 + 64, noise * 0], axis=1)
    payload = payload.astype(np.uint8)
    payload[:, 2] = payload[:, 0] ^ payload[:, 1] ^ 64
    found = find_checksum(payload)
    assert found is not None
    assert (found.byte, found.family) == (2, ChecksumFamily.XOR)


def test_a_checksum_in_the_middle_of_a_long_frame():
    """Byte 9 of 24, and the last two bytes are not computed in."""
    payload = np.random.default_rng(7).integers(0, 256, (300, 24)).astype(np.uint8)
    for row in payload:
        others = bytes((*row[:9], *row[10:22]))
        row[9] = _crc8(others, 0x39, 0xFF, 0, reflected=False)
    found = find_checksum(payload)
    assert found is not None
    assert (found.byte, found.polynomial, found.skipped_end) == (9, 0x39, 2)
    assert (compute_checksum(payload, found) == payload[:, 9]).all()
