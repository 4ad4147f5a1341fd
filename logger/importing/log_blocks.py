"""Whole lines of a text log, a block at a time."""

from collections.abc import Iterator
from typing import IO, Final

__all__ = ["LOG_BLOCK_BYTES", "read_line_blocks"]

LOG_BLOCK_BYTES: Final = 1 << 20
"""Bytes read at a time: some 20,000 lines."""


def read_line_blocks(file: IO[bytes]) -> Iterator[tuple[bytes, Exception | None]]:
    """Yield (block, fault): whole lines with the ends that they have, the last one with one.

    A fault of the disk, or of what is packed, ends the reading; it is yielded with no lines.
    """
    unread = b""
    while True:
        try:
            block = file.read(LOG_BLOCK_BYTES)
        except (OSError, EOFError) as torn:
            yield b"", torn
            return
        if not block:
            if unread:
                yield unread + b"\n", None
            return
        whole_lines, newline, unread = (unread + block).rpartition(b"\n")
        if newline:
            yield whole_lines + newline, None
