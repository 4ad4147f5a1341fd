"""What some frames tell of their checksum holds for the others of the bus, and not for more."""

import numpy as np
import pytest

from logger.layout_finder.checksum import ChecksumFamily, FoundChecksum, compute_checksum
from logger.layout_finder.checksum_pool import check_frames, choose_checksums


def _way(family: ChecksumFamily, polynomial: int | None, byte: int, constant: int) -> FoundChecksum:
    return FoundChecksum(byte, family, polynomial, 0, 0, constant, 0, 1.0, 0.0)


def _sent(payload: np.ndarray, way: FoundChecksum, before: bytes = b"") -> np.ndarray:
    """Return frames with their checksum, computed with some bytes before; a start value of 0xC3."""
    whole = np.hstack([np.tile(np.frombuffer(before, np.uint8), (len(payload), 1)), payload])
    shifted = FoundChecksum(
        way.byte + len(before), way.family, way.polynomial, 0, 0, way.constant, 0, 1.0, 0.0
    )
    payload[:, way.byte] = compute_checksum(whole, shifted)
    return payload


def _noisy(seed: int, width: int = 8) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (120, width)).astype(np.uint8)


def _still(*values: int) -> np.ndarray:
    return np.tile(np.array(values, np.uint8), (120, 1))


def _choose(*frames: tuple[int, np.ndarray]) -> list[FoundChecksum | None]:
    return choose_checksums(
        [check_frames(identifier, payload, extended=False) for identifier, payload in frames]
    )


@pytest.mark.parametrize(
    ("family", "polynomial", "form"),
    [
        (ChecksumFamily.XOR, None, "low"),
        (ChecksumFamily.SUM, None, "none"),
        (ChecksumFamily.NEGATIVE_SUM, None, "big"),
        (ChecksumFamily.CRC8, 0x2F, "big"),
        (ChecksumFamily.REFLECTED_CRC8, 0xD5, "low"),
    ],
)
def test_frames_that_never_change_are_known_by_their_constant(family, polynomial, form: str):
    """By two other identifiers, whether or not theirs is computed in."""
    way = _way(family, polynomial, 7, 0x3A)
    frames = []
    for identifier, payload in ((0x2A1, _noisy(1)), (0x2B4, _noisy(2)), (0x3C8, _still(*range(8)))):
        before = identifier.to_bytes(2, "big")
        before = {"none": b"", "low": before[1:], "big": before}[form]
        frames.append((identifier, _sent(payload, way, before)))
    found = _choose(*frames)
    assert [one and (one.byte, one.method) for one in found] == [(7, way.method)] * 3
    still = frames[2][1]
    assert found[2] is not None
    assert (compute_checksum(still, found[2]) == still[:, 7]).all()
    still[:, 7] ^= 0x40
    assert _choose(*frames)[2] is None


def test_a_crc_of_shorter_frames_is_foretold():
    """A start value of all ones counts more in longer frames."""
    way = _way(ChecksumFamily.CRC8, 0x31, 7, 0)
    long = _noisy(3)
    long = _sent(long, way, b"\xff")
    short = _sent(_still(1, 2, 3, 0, 0), _way(ChecksumFamily.CRC8, 0x31, 4, 0), b"\xff")
    found = _choose((1, long), (2, short))
    assert found[1] is not None
    assert (found[1].byte, found[1].polynomial) == (4, 0x31)


def test_frames_of_nothing_have_no_checksum():
    """Their XOR is zero as well, and that tells nothing."""
    xor = _sent(_noisy(4), _way(ChecksumFamily.XOR, None, 7, 0))
    first, second = _choose((1, xor), (2, _still(0, 0, 0, 0, 0, 0, 0, 0)))
    assert first is not None
    assert second is None
    assert _choose((2, _still(*range(8)))) == [None]


def test_which_byte_is_a_xor_is_told_by_frames_of_the_same_length():
    """A noisy byte and its XOR may either be it, and only one of them is it where values move."""
    alone = _still(0, 0, 0, 0, 0, 0, 0, 0)
    alone[:, [3, 5]] = _noisy(5, 2)
    alone[:, 4] = np.arange(120) // 20
    alone = _sent(alone, _way(ChecksumFamily.XOR, None, 3, 0x51))
    other = _still(0, 0, 0, 0, 0, 0, 0, 0)
    other[:, 2] = np.arange(120) & 0xFF
    other[:, 6] = np.arange(120) * 3 & 0xFF
    other = _sent(other, _way(ChecksumFamily.XOR, None, 3, 0x51))
    (by_itself,) = _choose((1, alone))
    assert by_itself is not None
    assert by_itself.byte == 5
    assert [one and one.byte for one in _choose((1, alone), (2, other))] == [3, 3]


def test_what_is_left_open_by_some_frames_is_told_by_others():
    """A first byte that never changes may be left out of a sum or not."""
    way = _way(ChecksumFamily.SUM, None, 7, 0x11)
    still_first = _noisy(7)
    still_first[:, 0] = 0x20
    (by_itself,) = _choose((1, _sent(still_first, way)))
    assert by_itself is not None
    assert by_itself.alike == 1
    found = _choose((1, still_first), (2, _sent(_noisy(8), way)))
    assert [one and (one.alike, one.skipped) for one in found] == [(0, 0)] * 2
