"""What commands write: tables in columns, JSON or lines, never both, and no fault when closed."""

import json
import sys
from collections.abc import Iterator

import pytest

from logger.cli.terminal import Line, Table, redraw, render_lines, say, show


def test_a_table_in_columns():
    """Two blanks between, no blanks at the end, brackets as they are, never wrapped."""
    long = "x" * 300
    rows = [("a[b]", "1", "")], [("[/c]", "22", long)]
    assert render_lines([Table(("name", "n", "of"), [*rows[0], *rows[1]], indent=2), "end"]) == [
        "  name  n   of",
        "  a[b]  1",
        f"  [/c]  22  {long}",
        "end",
    ]
    assert render_lines([Table(("name",), [])]) == []


def test_json_or_lines(capsys: pytest.CaptureFixture[str]):
    """Lines are not even made where JSON is asked for."""

    def lines() -> Iterator[Line]:
        yield "one"
        yield Table(("a", "b"), [("1", "2")])

    show({"k": "Ω"}, lines(), as_json=False)
    assert capsys.readouterr().out == "one\na  b\n1  2\n"
    made = lines()
    show({"k": "Ω"}, made, as_json=True)
    answer = capsys.readouterr().out
    assert answer == '{"format": 1, "k": "Ω"}\n'
    assert json.loads(answer) == {"format": 1, "k": "Ω"}
    assert next(made) == "one"


def test_below_each_other_but_not_each_time(capsys: pytest.CaptureFixture[str]):
    """What is of the same save is printed once a second at most; another save at once."""
    with redraw(in_place=False) as draw:
        for of in (1, 1, 1, 2):
            draw([f"of {of}"], of)
    assert capsys.readouterr().out == "of 1\nof 2\n"


def test_a_closed_terminal_is_no_fault(monkeypatch: pytest.MonkeyPatch):
    """A recording goes on when whoever watched it went away."""
    with open(sys.executable, "rb") as not_writable:  # noqa: PTH123 - anything that takes no text
        monkeypatch.setattr(sys, "stdout", not_writable)
        show({}, ["one"], as_json=True)
    monkeypatch.setattr(sys, "stdout", None)
    show({}, [Table(("a",), [("1",)])], as_json=False)


def test_nothing_that_is_shown_steers_the_terminal(capsys: pytest.CaptureFixture[str]):
    """Names, notes and values are anybody's: lines, cells and JSON alike, which stays the same."""
    hostile = "a\x1b]0;owned\x07\u202eb\x9b2J\nforged line"
    lines: list[Line] = [hostile, Table(("name",), [(hostile,)])]
    show({"k": hostile}, lines, as_json=False)
    say(hostile)
    printed = capsys.readouterr().out
    assert not set(printed) & set("\x1b\x07\u202e\x9b")
    # A text may have lines of its own where it is said whole; a line of a table has not.
    assert printed.count("\nforged line") == 1
    show({"k": hostile}, [], as_json=True)
    answer = capsys.readouterr().out
    assert not set(answer) & set("\x1b\x07\u202e\x9b")
    assert json.loads(answer)["k"] == hostile
    assert not any(set(line) & set("\x1b\u202e") for line in render_lines(lines))
