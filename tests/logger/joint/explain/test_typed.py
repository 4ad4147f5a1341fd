"""Frames as people type and paste them."""

import pytest

from logger.errors import InputError
from logger.joint.explain.typed import TypedFrame, parse_typed_frames


def _frame(identifier: int, data: str, *, extended: bool = False, fd: bool = False) -> TypedFrame:
    return TypedFrame(identifier=identifier, extended=extended, fd=fd, data=bytes.fromhex(data))


@pytest.mark.parametrize(
    ("words", "frames"),
    [
        (["0x283", "18 01 F4"], [_frame(0x283, "1801F4")]),
        (["643", "18", "01", "F4"], [_frame(0x283, "1801F4")]),
        (["0x283", ""], [_frame(0x283, "")]),
        (["0x283", "00" * 12], [_frame(0x283, "00" * 12, fd=True)]),
        (["0x283 18 01 F4"], [_frame(0x283, "1801F4")]),
        (["0x283 18", "0x284 19 01"], [_frame(0x283, "18"), _frame(0x284, "1901")]),
        (["0x7FF", "18"], [_frame(0x7FF, "18")]),
        (["0x800", "18"], [_frame(0x800, "18", extended=True)]),
        (["0x18FF50E5", "18"], [_frame(0x18FF50E5, "18", extended=True)]),
        (["0x00000283", "18"], [_frame(0x283, "18", extended=True)]),
        (["0x00000283 18", "0x283 18"], [_frame(0x283, "18", extended=True), _frame(0x283, "18")]),
        (["283#1801f4"], [_frame(0x283, "1801F4")]),
        (["283#"], [_frame(0x283, "")]),
        (["00000283#18"], [_frame(0x283, "18", extended=True)]),
        (["283##118"], [_frame(0x283, "18", fd=True)]),
        (
            ["(1700000000.000000) can0 283#18", "(1700000000.1)", "can0", "284##119"],
            [_frame(0x283, "18"), _frame(0x284, "19", fd=True)],
        ),
    ],
)
def test_each_way_of_writing(words: list[str], frames: list[TypedFrame]):
    """Apart or together, 11 and 29 bits, CAN FD, a line of a log, several at once."""
    assert parse_typed_frames(words) == tuple(frames)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["0x283"], "BYTES: found none, expected bytes in hex after the identifier"),
        (["0x283 18", "0x284"], "BYTES: found none, expected bytes in hex after the identifier"),
        (["0x20000000", "18"], "ID: found 0x20000000, expected 0 to 0x7FF, or a 29-bit one up to"),
        (["28#18"], "ID#BYTES: found '28#18', expected 3 hex digits of an 11-bit identifier"),
        (["283#R"], "ID#BYTES: found '283#R', expected 3 hex digits"),
        (["FFF#18"], "ID#BYTES: found 'FFF#18', expected at most 7FF before the #."),
        (["283#181"], "BYTES: found '181', expected up to 64 bytes in hex"),
        (["283##1" + "00" * 11], "BYTES: found 11 bytes, expected a length that CAN has"),
    ],
)
def test_what_is_no_frame(words: list[str], sentence: str):
    """One sentence with what stands there."""
    with pytest.raises(InputError) as fault:
        parse_typed_frames(words)
    assert str(fault.value).startswith(sentence)
