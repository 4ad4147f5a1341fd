"""What commands write: lines, tables and JSON to standard output, progress to standard error.

A result is shown in one of two ways: as JSON by its own keys, or as lines that a command yields,
tables among them. A closed terminal is no fault of a recording: nothing here raises for it.
"""

import contextlib
import io
import json
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

__all__ = [
    "Line",
    "Table",
    "redraw",
    "render_lines",
    "say",
    "show",
    "show_progress",
    "stop_on_signals",
]

_AGAIN_S: Final = 1.0
"""How often what goes on is printed where it cannot be shown in place."""
_NO_WRAP: Final = 100_000
"""Columns of a file or a pipe: a row stays one line."""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of words below their heads; nothing at all is shown where there are no rows."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    indent: int = 0
    """Columns to its left."""


Line: TypeAlias = str | Table


def say(text: str) -> None:
    """Print one line at once."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()


def show(content: Mapping[str, Any], lines: Iterable[Line], *, as_json: bool) -> None:
    """Print a result: its content as one line of JSON, or its lines, which are made only then."""
    if as_json:
        say(json.dumps({"format": 1, **content}, ensure_ascii=False))
        return
    for line in lines:
        for text in [line] if isinstance(line, str) else _render_table(line, _terminal_width()):
            say(text)


def render_lines(lines: Iterable[Line]) -> list[str]:
    """Return lines as plain text, tables in columns, however wide."""
    rendered: list[str] = []
    for line in lines:
        rendered += [line] if isinstance(line, str) else _render_table(line, None)
    return rendered


def _terminal_width() -> int | None:
    """Return the columns of the terminal that standard output is, None where it is none."""
    if not (sys.stdout and sys.stdout.isatty()):
        return None
    from rich.console import Console

    return Console().width


def _render_table(table: Table, width: int | None) -> list[str]:
    """Return a table as lines: for a terminal wrapped, its heads bold; else plain."""
    if not table.rows:
        return []
    from rich.console import Console
    from rich.table import Table as RichTable
    from rich.text import Text

    drawn = RichTable(*table.head, box=None, pad_edge=False, header_style="bold")
    for row in table.rows:
        drawn.add_row(*(Text(cell) for cell in row))  # a plain string would be read as markup
    console = Console(
        file=io.StringIO(),
        width=_NO_WRAP if width is None else width - table.indent,
        force_terminal=width is not None,
        color_system=None if width is None else "auto",
        highlight=False,
    )
    with console.capture() as captured:
        console.print(drawn)
    margin = " " * table.indent
    return [f"{margin}{line}".rstrip() for line in captured.get().splitlines()]


@contextlib.contextmanager
def redraw(*, in_place: bool) -> Iterator[Callable[[Iterable[Line], object], None]]:
    """Give what shows lines again and again: in place, or below each other but not each time.

    Its second argument says what the lines are of: while it stays the same, they are printed at
    most once a second.
    """
    if in_place:
        from rich.live import Live
        from rich.text import Text

        with Live(auto_refresh=False, vertical_overflow="crop") as live:
            yield lambda lines, _: live.update(
                Text("\n".join(render_lines(lines)), no_wrap=True, overflow="ellipsis"),
                refresh=True,
            )
        return
    printed: tuple[object, float] | None = None

    def print_below(lines: Iterable[Line], of: object) -> None:
        nonlocal printed
        now_s = time.monotonic()
        if printed is None or printed[0] != of or now_s - printed[1] >= _AGAIN_S:
            printed = (of, now_s)
            for line in render_lines(lines):
                say(line)

    yield print_below


@contextlib.contextmanager
def show_progress(what: str, total: float | None) -> Iterator[Callable[[float], None]]:
    """Give what takes how much of a total is done; silent where standard error is no terminal."""
    from rich.console import Console
    from rich.progress import Progress

    bar = Progress(console=Console(stderr=True), disable=not sys.stderr.isatty())
    task = bar.add_task(what, total=total)
    with bar:
        yield lambda done: bar.update(task, completed=done)


def stop_on_signals() -> threading.Event:
    """Return an event that Ctrl-C, SIGTERM and a closed terminal set."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        # Whoever started it with nohup wants it to go on without its terminal.
        if number != signal.SIGHUP or signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, lambda *_: stop.set())
    return stop
