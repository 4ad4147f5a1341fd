"""Lines printed by a thread of their own, so that a terminal that is held holds up nobody else.

Output that nobody reads (Ctrl-S, a hung ssh, an unread pipe) blocks in the system call. The loop
that watches for the end of a recording must not be the one that waits there, nor the thread that
receives: libraries log what they meet on the thread that meets it.
"""

import contextlib
import logging
import os
import queue
import sys
import threading
import time
from collections.abc import Iterator
from typing import Final, Literal

from logger.outside_text import printable

__all__ = ["LinePrinter", "printed_log"]

StandardStream = Literal["stdout", "stderr"]

MAX_WAITING_LINES: Final = 1000
"""Lines kept for a terminal that is held; what comes on top of them is counted, not printed."""
CLOSE_WAIT_S: Final = 1.0
"""How long the end of a command waits for lines that are not printed yet."""


class LinePrinter:
    """Prints lines in order on a standard stream; `put` never waits. Safe for several threads."""

    def __init__(self, stream: StandardStream = "stdout") -> None:
        self._stream: StandardStream = stream
        self._waiting: queue.Queue[str | None] = queue.Queue(MAX_WAITING_LINES)
        self._left_out = 0
        self._thread = threading.Thread(target=self._print_lines, name="print", daemon=True)
        self._thread.start()

    def put(self, line: str) -> None:
        """Print a line when its turn comes; leave it out where too many wait."""
        try:
            self._waiting.put_nowait(printable(line))
        except queue.Full:
            self._left_out += 1

    def close(self) -> bool:
        """Wait a moment for what is not printed yet; return whether all of it was printed."""
        until_s = time.monotonic() + CLOSE_WAIT_S
        with contextlib.suppress(queue.Full):
            self._waiting.put(None, timeout=CLOSE_WAIT_S)
        self._thread.join(max(until_s - time.monotonic(), 0.0))
        return not self._thread.is_alive()

    def _print_lines(self) -> None:
        while (line := self._waiting.get()) is not None:
            left_out, self._left_out = self._left_out, 0
            if left_out:
                _write_line(
                    self._stream, f"{left_out} lines were left out: the terminal took none."
                )
            _write_line(self._stream, line)


class _PrintingHandler(logging.Handler):
    """Hands each record of the log to a printer."""

    def __init__(self, printer: LinePrinter) -> None:
        # Of the level, and in the form, that Python itself prints what nobody else handles.
        super().__init__(logging.WARNING)
        self._printer = printer

    def emit(self, record: logging.LogRecord) -> None:
        """Print a record when its turn comes; never waits."""
        self._printer.put(self.format(record))


@contextlib.contextmanager
def printed_log() -> Iterator[None]:
    """Print warnings of the log on standard error, by a thread of their own, while this lasts."""
    printer = LinePrinter("stderr")
    handler = _PrintingHandler(printer)
    log = logging.getLogger()
    log.addHandler(handler)
    try:
        yield
    finally:
        log.removeHandler(handler)
        printer.close()


def _write_line(stream: StandardStream, line: str) -> None:
    """Write a line past the buffer of the stream, whose lock the end of the program needs."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        file = getattr(sys, stream)
        if file is not getattr(sys, f"__{stream}__"):
            # Replaced by whoever runs this in its own process; it takes lines like any file.
            file.write(f"{line}\n")
            file.flush()
            return
        if file is None:
            # Started without one.
            return
        rest = f"{line}\n".encode(file.encoding, errors="replace")
        while rest:
            rest = rest[os.write(file.fileno(), rest) :]
