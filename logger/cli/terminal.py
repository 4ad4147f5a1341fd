"""The output of commands: lines, tables and JSON to standard output, progress to standard error.

A result is shown in one of two ways: as JSON with its own keys, or as the lines and tables that a
command yields. Nothing here raises for a closed terminal: a recording goes on without it.
"""

import contextlib
import io
import json
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from logger.outside_text import printable

if TYPE_CHECKING:
    from rich.console import RenderableType

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
"""How often lines that stay similar are printed where they cannot be drawn in place."""
_NO_WRAP: Final = 100_000
"""Columns assumed for a file or a pipe: a row is never wrapped."""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under column heads; a table without rows is not shown at all."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    indent: int = 0
    """Blanks before each line."""


Line: TypeAlias = str | Table


def say(text: str) -> None:
    """Print a text at once, of one or more lines."""
    _write(printable(text, lines=True))


def _write(text: str) -> None:
    """Write a line that may hold the terminal's own codes for bold."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()


def show(content: Mapping[str, Any], lines: Iterable[Line], *, as_json: bool) -> None:
    """Print a result: `content` as one line of JSON, or else `lines`, which are evaluated then."""
    if as_json:
        say(json.dumps({"format": 1, **content}, ensure_ascii=False))
        return
    for line in lines:
        for text in (
            [printable(line)] if isinstance(line, str) else _render_table(line, _terminal_width())
        ):
            _write(text)


def render_lines(lines: Iterable[Line]) -> list[str]:
    """Return lines as plain text, tables in columns and never wrapped."""
    rendered: list[str] = []
    for line in lines:
        rendered += [printable(line)] if isinstance(line, str) else _render_table(line, None)
    return rendered


def _terminal_width() -> int | None:
    """Return the width of the terminal on standard output, None where that is no terminal."""
    if not (sys.stdout and sys.stdout.isatty()):
        return None
    from rich.console import Console

    return Console().width


def _render_table(table: Table, width: int | None) -> list[str]:
    """Return a table as lines: wrapped to `width` with bold heads; plain and unwrapped for None."""
    if not table.rows:
        return []
    from rich.cells import cell_len

    cells = [[printable(cell) for cell in row] for row in (table.head, *table.rows)]
    widths = [max(map(cell_len, column)) for column in zip(*cells, strict=True)]
    if width is not None and sum(widths) + 2 * (len(widths) - 1) + table.indent > width:
        lines = _wrapped_table(cells, width - table.indent)
    else:
        # By hand: thousands of rows that need no wrapping would take seconds otherwise.
        lines = [
            "  ".join(
                cell + " " * (wide - cell_len(cell)) for cell, wide in zip(row, widths, strict=True)
            )
            for row in cells
        ]
        if width is not None:
            lines[0] = _in_bold(lines[0])
    margin = " " * table.indent
    return [f"{margin}{line}".rstrip() for line in lines]


def _wrapped_table(cells: Sequence[Sequence[str]], width: int) -> list[str]:
    """Return rows of cells as lines of a terminal, cells wrapped; the first row are the heads."""
    from rich.table import Table as RichTable
    from rich.text import Text

    drawn = RichTable(*cells[0], box=None, pad_edge=False, header_style="bold")
    for row in cells[1:]:
        # A plain string would be read as markup.
        drawn.add_row(*map(Text, row))
    return _terminal_lines(drawn, width)


def _in_bold(line: str) -> str:
    from rich.text import Text

    return _terminal_lines(Text(line, style="bold"), _NO_WRAP)[0]


def _terminal_lines(drawn: "RenderableType", width: int) -> list[str]:
    from rich.console import Console

    console = Console(
        file=io.StringIO(), width=width, force_terminal=True, color_system="auto", highlight=False
    )
    with console.capture() as captured:
        console.print(drawn)
    return captured.get().splitlines()


@contextlib.contextmanager
def redraw(*, in_place: bool) -> Iterator[Callable[[Iterable[Line], object], None]]:
    """Return a function that shows the newest lines: in place, or else below the previous ones.

    Its second argument is a key of what is shown: below each other, lines with the same key are
    printed at most once a second.
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

    def print_below(lines: Iterable[Line], key: object) -> None:
        nonlocal printed
        now_s = time.monotonic()
        if printed is None or printed[0] != key or now_s - printed[1] >= _AGAIN_S:
            printed = (key, now_s)
            for line in render_lines(lines):
                say(line)

    yield print_below


@contextlib.contextmanager
def show_progress(what: str, total: float | None) -> Iterator[Callable[[float], None]]:
    """Return a function that takes how much of `total` is done, and draws a progress bar.

    Draws nothing where standard error is no terminal.
    """
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import Progress

    bar = Progress(console=Console(stderr=True), disable=not sys.stderr.isatty())
    task = bar.add_task(escape(printable(what)), total=total)
    with bar:
        yield lambda done: bar.update(task, completed=done)


def stop_on_signals() -> threading.Event:
    """Return an event that Ctrl-C, SIGTERM and a closed terminal set."""
    stop = threading.Event()
    # A handler runs between any two steps of the main thread, also while that holds the lock of the
    # event that it waits for: setting it there would wait for ever. Queueing is safe at any moment.
    received: queue.SimpleQueue[int] = queue.SimpleQueue()

    def set_when_received() -> None:
        received.get()
        stop.set()

    threading.Thread(target=set_when_received, name="signals", daemon=True).start()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        # A process started with nohup has to continue without its terminal.
        if number != signal.SIGHUP or signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, lambda number, _frame: received.put(number))
    return stop
