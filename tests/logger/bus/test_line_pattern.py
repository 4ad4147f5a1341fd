"""What a microcontroller prints, read by the pattern that its owner writes."""

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.bus.line_pattern import ParsedLine, compile_pattern
from logger.errors import InputError
from logger.joint.batch import EXTENDED, FD, REMOTE


def _read(pattern: str, line: str) -> tuple[int, int, bytes, int | None] | None:
    one = compile_pattern(pattern).parse_line(line)
    return one and (one.identifier, one.flags, one.data, one.time_ns)


@pytest.mark.parametrize(
    ("pattern", "line", "expected"),
    [
        ("{id} [{length}] {data}", "2C3 [3] 41 00 10", (0x2C3, 0, b"\x41\x00\x10", None)),
        ("{id} [{length}] {data}", "  0x2C3   [0] ", (0x2C3, 0, b"", None)),
        ("{id}#{data}", "2C3#410010", (0x2C3, 0, b"\x41\x00\x10", None)),
        # Boards that print bytes without a leading zero.
        ("ID: {id} Data: {data}", "ID: 2C3 Data: 41 0 A", (0x2C3, 0, b"\x41\x00\x0a", None)),
        ("ID: {id} Data: {data}", "ID: 2C3 Data: 0x41,0x0,0xA", (0x2C3, 0, b"\x41\x00\x0a", None)),
        ("{time:ms} {id:dec} {data:dec}", "81 707 65,0,16", (707, 0, b"\x41\x00\x10", 81_000_000)),
        ("{time:us};{id};{data}", "81.5;2C3;41", (0x2C3, 0, b"\x41", 81_500)),
        ("{time:s} {any} {id} {data}", "1.5 can0 RX 2C3 41", (0x2C3, 0, b"\x41", 1_500_000_000)),
        # 29 bits: more than 7FF, eight digits, or a mark.
        ("{id} {data}", "18FF0003 01", (0x18FF0003, EXTENDED, b"\x01", None)),
        ("{id} {data}", "00000003 01", (3, EXTENDED, b"\x01", None)),
        ("{id}{extended:x} {data}", "3x 01", (3, EXTENDED, b"\x01", None)),
        ("{id}{extended:x} {data}", "3 01", (3, 0, b"\x01", None)),
        ("{remote:R}{id} [{length}] {data}", "R2C3 [2] ", (0x2C3, REMOTE, b"\0\0", None)),
        ("{id} {data}", "1 " + "AB" * 12, (1, FD, b"\xab" * 12, None)),
        ("(a+b) {id} {data} <end>", "(a+b) 1 02 <end>", (1, 0, b"\x02", None)),
    ],
)
def test_lines_that_are_frames(pattern: str, line: str, expected: tuple[object, ...]):
    """Hex or decimal, apart or run together, with time, length and marks."""
    assert _read(pattern, line) == expected


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        ("{id} [{length}] {data}", "2C3 [3] 41 00"),
        ("{id} {data}", "2C3 4100100"),
        ("{id} {data}", "2C3 41 100"),
        ("{id} {data:dec}", "2C3 256"),
        ("{id} {data}", "20000000 00"),
        ("{id} {data}", "2C3 " + "00 " * 9),
        ("{id} {data}", "temperature 31.5"),
        ("{id} {data}", "2C3 0x"),
        ("{time:us} {id} {data}", "999999999999999999 1 00"),
        ("{id} {data}", ""),
    ],
)
def test_lines_that_are_none(pattern: str, line: str):
    """Cut, too long, out of range, or a board's own words."""
    assert _read(pattern, line) is None


@pytest.mark.parametrize("filling", [" ", "\t", " \t"])
def test_a_run_of_blanks_costs_little(filling: str):
    """However long it is: receiving goes on."""
    pattern = compile_pattern("{id} {data}")
    before_s = time.process_time()
    assert pattern.parse_line(f"1{filling * 4000}!") is None
    assert time.process_time() - before_s < 1
    assert pattern.parse_line(f"1{filling * 4000}02") is not None


@given(
    identifier=st.integers(0, 0x7FF),
    data=st.binary(max_size=8),
    apart=st.sampled_from([" ", ",", ":", ", "]),
)
def test_what_is_printed_is_read(identifier: int, data: bytes, apart: str):
    """Every classical frame, in hex and in decimal."""
    written = apart.join(f"{byte:02X}" for byte in data)
    expected = ParsedLine(identifier=identifier, flags=0, data=data, time_ns=None)
    assert compile_pattern("{id} {data}").parse_line(f"{identifier:X} {written}") == expected
    written = apart.join(str(byte) for byte in data)
    line = f"<{identifier}|{len(data)}|{written}>"
    assert compile_pattern("<{id:dec}|{length}|{data:dec}>").parse_line(line) == expected


@pytest.mark.parametrize(
    ("pattern", "sentence"),
    [
        (
            "{id} {dta}",
            "pattern: found {dta}, expected one of {id}, {data}, {length}, {time}, {any}, "
            "{extended}, {remote}.",
        ),
        ("{id:oct} {data}", "pattern: found {id:oct}, expected {id:hex} or {id:dec}."),
        ("{id} {id} {data}", "pattern: found {id} twice, expected it once."),
        (
            "{id}{data}",
            "pattern: found {id} and {data} with nothing between them, expected a blank or a text "
            "there: nothing tells where one ends.",
        ),
        (
            "{id:hex}{extended:x}{length} {data}",
            "pattern: found {id:hex} and {length} with nothing between them, expected a blank or a "
            "text there: nothing tells where one ends.",
        ),
        (
            "{any} {id} {any} {data} {any}",
            "pattern: found {any} 3 times, expected it at most 2 times: a line could be shared out "
            "among them in very many ways.",
        ),
        (
            "{data}",
            "pattern: found '{data}', which has no {id}; expected such as "
            "'{id} [{length}] {data}'.",
        ),
        (
            "{id}{extended} {data}",
            "pattern: found {extended}, expected the text that is printed there, such as "
            "{extended:x}.",
        ),
    ],
)
def test_patterns_that_are_none(pattern: str, sentence: str):
    """Found, expected."""
    with pytest.raises(InputError) as fault:
        compile_pattern(pattern)
    assert str(fault.value) == sentence
