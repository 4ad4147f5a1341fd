"""Lines of text from a serial port, many at a time.

What is there is read at once and cut into whole lines; the rest waits for its end. A line without
an end is dropped when it is longer than any frame's. The piece that was under way when listening
began is marked: it is perhaps no whole line. For one thread.
"""

import os
import select
from dataclasses import dataclass
from typing import Final

__all__ = ["AT_ONCE", "SerialText", "Text"]

AT_ONCE: Final = 1 << 16
"""Bytes: more than 0.1 s of a serial line at 5 Mbit/s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """What one look at the port brought."""

    lines: list[bytes]
    """Whole lines that are not empty, without their ends."""
    first: bool
    """The first of them was perhaps cut at its beginning."""
    endless: int = 0
    """Lines that were dropped because they never ended."""
    drained: bool = True
    """Nothing was left."""
    fault: OSError | None = None
    """Why the port is gone."""


class SerialText:
    """Reads a descriptor that is open and does not block."""

    def __init__(
        self, descriptor: int, *, ends: bytes, longest: int, at_once: int = AT_ONCE
    ) -> None:
        """Cut at any byte of `ends`; drop a line of more than `longest` bytes.

        `at_once`: the most bytes of one look. With 1 nothing behind a line's end is taken.
        """
        self._descriptor = descriptor
        self._at_once = at_once
        # One end for all: the first.
        self._to_one = bytes.maketrans(ends, ends[:1] * len(ends))
        self._end = ends[:1]
        self._longest = longest
        self._rest = b""
        self._skipping = False
        self._begun = False

    def take(self) -> Text:
        """Return the lines that are there; never waits, never raises."""
        try:
            if not select.select([self._descriptor], [], [], 0)[0]:
                return Text(lines=[], first=False)
            block = os.read(self._descriptor, self._at_once)
        except BlockingIOError:
            return Text(lines=[], first=False)
        except (OSError, ValueError) as fault:
            gone = fault if isinstance(fault, OSError) else OSError(str(fault))
            return Text(lines=[], first=False, fault=gone)
        if not block:
            nothing = OSError("the port is ready and gives nothing: its other side is gone")
            return Text(lines=[], first=False, fault=nothing)
        return self.cut(block)

    def cut(self, block: bytes) -> Text:
        """Return the lines that end within the next bytes."""
        whole, ended, rest = (self._rest + block.translate(self._to_one)).rpartition(self._end)
        endless = 0
        lines: list[bytes] = []
        if ended:
            lines = whole.split(self._end)
            if self._skipping:
                # The end of a line that was dropped: what comes behind it is whole.
                lines = lines[1:]
                self._skipping = False
                self._begun = True
        if len(rest) > self._longest:
            rest = b""
            endless = 0 if self._skipping else 1
            self._skipping = True
        self._rest = rest
        first = bool(lines) and not self._begun
        self._begun |= bool(ended)
        cut_short = first and bool(lines[0].strip())
        return Text(
            lines=[line for line in lines if line],
            first=cut_short,
            endless=endless,
            drained=False,
        )
