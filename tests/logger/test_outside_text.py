"""Texts and files from outside: what is beyond a bound is a sentence, and nothing waits."""

import os
import socket
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.outside_text import (
    MAX_TEXT_BYTES,
    UnusualFileError,
    open_regular,
    parse_json,
    parse_toml,
    printable,
    read_regular,
)

DEEP_TOML = {
    "lists": "a = " + "[" * 20_000 + "]" * 20_000,
    "tables": "a = " + "{a=" * 20_000,
    "dotted": "a" + ".a" * 200 + " = 1",
    "headers": "[" + ".".join(["a"] * 300) + "]\nb = 1",
}


@pytest.mark.parametrize("text", DEEP_TOML.values(), ids=DEEP_TOML)
def test_toml_that_lies_too_deep(text: str):
    """Of the parser's recursion as of what is made without any."""
    with pytest.raises(InputError, match=r"^limits\.toml: found tables or lists more than"):
        parse_toml(text, "limits.toml")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a = " + "9" * 5000, "found a number or a date that is far too long"),
        ("a = 99999999999999999999999", "a whole number of some 2"),
        ("a = [[1, 0x1ffffffffffffffff]]", "a whole number of some"),
        ("a = 2020-02-31", "this is not valid TOML"),
        ("a" + ".a" * 1200 + " = 1", "line 1: found 1200 dots"),
        ("# " + "x" * MAX_TEXT_BYTES, "expected at most"),
    ],
)
def test_toml_beyond_a_bound(text: str, words: str):
    """Digits, the parts of a key (the parser's time grows with their square), and the length."""
    with pytest.raises(InputError, match=words) as told:
        parse_toml(text, "x.toml")
    assert len(str(told.value)) < 400


def test_what_fits_is_taken_as_before():
    """The numbers of 64 bits, signed or not, and a depth that nobody has needed yet."""
    assert parse_toml("a = 18446744073709551615\nb = -9223372036854775808", "x") == {
        "a": 2**64 - 1,
        "b": -(2**63),
    }
    assert parse_toml("a.b.c.d = [[[{e = 1}]]]", "x")["a"]["b"]["c"]["d"] == [[[{"e": 1}]]]
    assert parse_json('{"a": [1.5, "é", null, true]}', "x") == {"a": [1.5, "é", None, True]}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[" * 100_000, "deep within each other"),
        ('{"a":' * 50 + "1" + "}" * 50, "deep within each other"),
        ("9" * 5000, "a whole number of 5000 digits"),
        ("[123456789012345678901234567890]", "a whole number of some"),
        ("1e999", "beyond the range of a double"),
        ("NaN", "found NaN"),
        ('["\\ud800"]', "half of a surrogate pair"),
        ('{"\\udc00": 1}', "half of a surrogate pair"),
        (b'"\xff"', "not valid JSON"),
        ("{", "not valid JSON"),
    ],
)
def test_json_beyond_a_bound(text: str | bytes, words: str):
    """As for TOML; and what Python reads, but JSON does not have."""
    with pytest.raises(InputError, match=words):
        parse_json(text, "x.json")


def test_python_writes_infinities_where_they_are_asked_for():
    """The carry of a pyramid may hold one."""
    assert parse_json("[Infinity]", "x", infinite=True) == [float("inf")]


def test_only_regular_files_are_opened(tmp_path: Path):
    """A pipe would wait for somebody who writes into it, /dev/zero never ends."""
    os.mkfifo(tmp_path / "pipe")
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(tmp_path / "socket"))
    with listener:
        for path, words in (
            (tmp_path / "pipe", "a pipe"),
            (Path("/dev/zero"), "a device"),
        ):
            with pytest.raises(UnusualFileError, match=words):
                open_regular(path)
        with pytest.raises(OSError, match="socket"):
            open_regular(tmp_path / "socket")
    with pytest.raises(IsADirectoryError):
        open_regular(tmp_path)


def test_a_file_is_read_up_to_a_bound(tmp_path: Path):
    """One byte more is refused, with both numbers."""
    path = tmp_path / "x"
    path.write_bytes(b"a" * 100)
    assert read_regular(path, max_bytes=100) == b"a" * 100
    with pytest.raises(UnusualFileError, match="found 100 bytes, expected at most 99"):
        read_regular(path, max_bytes=99)


def test_what_steers_a_terminal_is_written_out():
    """Controls of both sets, writing direction, separators, halves of pairs; words stay."""
    assert printable("\x1b[2Jred\x9b\u202ec\u2066\u2028\udcff\n") == (
        "\\u001b[2Jred\\u009b\\u202ec\\u2066\\u2028\\udcff\\u000a"
    )
    assert printable("a\nb\tc", lines=True) == "a\nb\tc"
    for text in ("N·m at 40 °C", "é 日本 \u200dשלום", "👩\u200d🔧"):
        assert printable(text) == text
