"""What commands write: tables in columns, JSON or lines, never both, and no fault when closed."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator

import pytest

import logger.cli.terminal
from logger.cli.terminal import Line, Table, redraw, render_lines, say, show
from tests.support.command import ROOT


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


def test_on_a_terminal_wide_tables_are_wrapped_and_heads_are_bold(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    """One that fits stays as it is, signs of two columns counted as two."""
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(logger.cli.terminal, "_terminal_width", lambda: 24)
    show({}, [Table(("名", "n"), [("a", "1"), ("bcd", "2")], indent=1)], as_json=False)
    head, *rows = capsys.readouterr().out.splitlines()
    assert rows == [" a    1", " bcd  2"]
    assert head.replace("\x1b[1m", "").replace("\x1b[0m", "") == " 名   n"
    assert "\x1b[1m" in head
    show({}, [Table(("name", "words"), [("a", "one two three four five six")])], as_json=False)
    head, *rows = capsys.readouterr().out.splitlines()
    assert "\x1b[1m" in head
    assert len(rows) > 1
    assert max(map(len, rows)) <= 24
    assert " ".join(" ".join(rows).split()) == "a one two three four five six"


def test_thousands_of_rows_are_not_drawn_one_by_one(monkeypatch: pytest.MonkeyPatch):
    """The library that wraps cells, a millisecond for each row, is asked only where one wraps."""

    def refuse(*_: object) -> list[str]:
        raise AssertionError("nothing has to be wrapped")

    monkeypatch.setattr(logger.cli.terminal, "_wrapped_table", refuse)
    rows = [(str(row), "peak") for row in range(5000)]
    lines = render_lines([Table(("number", "of"), rows)])
    assert len(lines) == 5001
    assert lines[-1] == "4999    peak"


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


# The main thread holds the event's lock from when it begins to wait until it sleeps.
_SIGNAL_AMID_WAIT = """
import signal, sys, threading
from logger.cli.terminal import stop_on_signals

stop = stop_on_signals()

def interrupt(frame, event, _argument):
    if event == "call" and frame.f_code is threading.Condition.wait.__code__:
        sys.setprofile(None)
        signal.raise_signal(signal.SIGINT)

sys.setprofile(interrupt)
assert stop.wait(60)
print("stopped")
"""


def test_a_signal_at_any_moment_stops():
    """Also amid the few steps in which whoever waits for it holds its lock."""
    done = subprocess.run(
        [sys.executable, "-c", _SIGNAL_AMID_WAIT],
        capture_output=True,
        text=True,
        timeout=90,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert (done.returncode, done.stdout) == (0, "stopped\n"), done.stderr
