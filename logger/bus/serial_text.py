"""Lines of text from a serial port, many at a time.

What is there is read at once and cut into whole lines; the rest waits for its end. A line without
an end is dropped when it is longer than any frame's. The first line after opening is marked:
its beginning may be missing.

Bytes get their time when they are read, and are cut into lines when somebody wants the lines:
`collect` is as short as a read, however often bytes come. For one thread.
"""

import os
import select
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

__all__ = ["READ_BYTES_AT_ONCE", "SAFE_BACKLOG_BYTES", "ReadLines", "SerialText"]

TERMINAL_BYTES: Final = 4095
"""The most that a terminal gives at once (Linux, N_TTY)."""
READ_BYTES_AT_ONCE: Final = 1 << 16
"""Bytes: more than 0.1 s of a serial line at 5 Mbit/s."""
SAFE_BACKLOG_BYTES: Final = 2048
"""Half of what a terminal keeps: as long as no more was waiting, nothing was held back or lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLines:
    """The result of one read of the port."""

    lines: list[bytes]
    """Whole lines that are not empty, without their ends."""
    first: bool
    """The beginning of the first line may be missing."""
    endless: int = 0
    """Whether more bytes than a line may have were dropped for want of an end: 1, or 0."""
    bytes_read: int = 0
    drained: bool = True
    """Nothing was left to read."""
    fault: OSError | None = None
    """Why the port is lost."""


class SerialText:
    """Reads a descriptor that is open."""

    def __init__(
        self, descriptor: int, *, ends: bytes, longest: int, at_once: int = READ_BYTES_AT_ONCE
    ) -> None:
        """Cut at any byte of `ends`; drop a line of more than `longest` bytes.

        `at_once`: the most bytes of one read. With 1 nothing after a line's end is taken.
        """
        self._descriptor = descriptor
        try:
            self._blocks = os.get_blocking(descriptor)
        except OSError:
            self._blocks = True
        self._at_once = at_once
        # One end for all: the first.
        self._end_translation = bytes.maketrans(ends, ends[:1] * len(ends))
        self._end = ends[:1]
        self._longest = longest
        self._rest = b""
        self._skipping = False
        self._has_read = False
        self._collected: list[tuple[int, bytes]] = []
        self._fault: OSError | None = None

    @property
    def has_fault(self) -> bool:
        """Whether the port was found to be lost; the next lines that are taken say why."""
        return self._fault is not None

    def collect(self, stamp_ns: int) -> bool:
        """Read what is there, as come at `stamp_ns`; return whether there was anything.

        Its lines are taken by `take_lines`. Never waits, never raises.
        """
        block = self._read_block()
        if block:
            self._collected.append((stamp_ns, block))
        return bool(block) or self._fault is not None

    def take_lines(
        self, now_ns: Callable[[], int], *, most_lines: int
    ) -> Iterator[tuple[int, ReadLines]]:
        """Yield the lines that were collected and those that are there, with when they were read.

        At least one result. Once there were `most_lines` the rest is left for the next call; what
        was collected is never left. `now_ns` reads the clock that `collect` gets its stamps from.
        Never waits, never raises.
        """
        count = 0
        collected, self._collected = self._collected, []
        for stamp_ns, block in collected:
            text = self.split_lines(block)
            count += len(text.lines)
            yield stamp_ns, text
        while True:
            block = b"" if self._fault is not None else self._read_block()
            if block:
                text = self.split_lines(block)
            else:
                text = ReadLines(lines=[], first=False, fault=self._fault)
                self._fault = None
            count += len(text.lines)
            yield now_ns(), text
            if text.drained or count >= most_lines:
                return

    def _read_block(self) -> bytes:
        """Return the bytes that are there; a fault is kept."""
        try:
            if self._blocks and not self._is_ready():
                return b""
            block = os.read(self._descriptor, self._at_once)
            # A terminal with nothing to read may say so as if its other side were gone.
            if not block and self._is_ready():
                self._fault = OSError("the port is ready and gives nothing: its other side is gone")
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as fault:
            self._fault = fault if isinstance(fault, OSError) else OSError(str(fault))
            return b""
        return block

    def _is_ready(self) -> bool:
        return bool(select.select([self._descriptor], [], [], 0)[0])

    def split_lines(self, block: bytes) -> ReadLines:
        """Return the lines that end within the next bytes."""
        whole_part, separator, rest = (
            self._rest + block.translate(self._end_translation)
        ).rpartition(self._end)
        endless = 0
        lines: list[bytes] = []
        if separator:
            lines = whole_part.split(self._end)
            if self._skipping:
                # The end of a line that was dropped: what comes after it is whole.
                lines = lines[1:]
                self._skipping = False
                self._has_read = True
        if len(rest) > self._longest:
            rest = b""
            # A port at the wrong speed may never send an end: it counts on as often as this.
            endless = 1
            self._skipping = True
        self._rest = rest
        first = bool(lines) and not self._has_read
        self._has_read |= bool(separator)
        cut_short = first and bool(lines[0].strip())
        return ReadLines(
            lines=[line for line in lines if line],
            first=cut_short,
            endless=endless,
            bytes_read=len(block),
            # One read gives all that is there, up to what a terminal keeps.
            drained=len(block) < min(self._at_once, TERMINAL_BYTES),
        )
