"""A pseudo-terminal that a client opens as it would open a USB adapter.

Nothing leaves the machine. A symbolic link names the terminal; it goes when the line is closed. The
terminal's other end stays held here, so a client may come and go. Bytes only: what they mean is
line_protocol's. Where the client does not read, whole answers are dropped, as an adapter with a
full buffer does.
"""

import contextlib
import os
import select
import tty
from pathlib import Path
from types import TracebackType
from typing import Final

from logger.errors import InputError, OutsideFault

__all__ = ["SerialLine"]

READ_BYTES: Final = 4096
BACKLOG_BYTES: Final = 8192
"""Answers that wait for a client that is slow to read."""


class SerialLine:
    """The adapter's end of the pseudo-terminal; a context manager."""

    def __init__(self, link: Path) -> None:
        """Open a pseudo-terminal and link it at `link`.

        Raises
        ------
        InputError
            `link` is taken by something that is no link, or its folder cannot be written.
        OutsideFault
            The system gives no pseudo-terminal.
        """
        self.link = link
        self.dropped_bytes = 0
        """Answers that the client never read."""
        self._unsent = bytearray()
        try:
            self._adapter_end, self._client_end = os.openpty()
        except OSError as fault:
            raise OutsideFault(
                f"no pseudo-terminal for the simulated joints: {fault.strerror or fault}."
            ) from fault
        try:
            tty.setraw(self._client_end)
            os.set_blocking(self._adapter_end, False)
            self.terminal = os.ttyname(self._client_end)
            self._create_link()
        except BaseException:
            os.close(self._adapter_end)
            os.close(self._client_end)
            raise
        self._poll = select.poll()
        self._poll.register(self._adapter_end, select.POLLIN)

    def _create_link(self) -> None:
        if self.link.exists() and not self.link.is_symlink():
            raise InputError(
                f"{self.link}: found a file or folder, expected a free name for the link to the "
                "simulated serial line. Choose another name."
            )
        temporary_link = self.link.with_name(f".{self.link.name}.{os.getpid()}")
        try:
            temporary_link.symlink_to(self.terminal)
            temporary_link.replace(self.link)
        except OSError as fault:
            raise InputError(
                f"{self.link}: the link to the simulated serial line cannot be made "
                f"({fault.strerror or fault})."
            ) from None

    def read(self, *, timeout_s: float) -> bytes:
        """Return what the client wrote, empty if it wrote nothing within the time."""
        wanted_events = select.POLLIN | (select.POLLOUT if self._unsent else 0)
        self._poll.modify(self._adapter_end, wanted_events)
        for _, event in self._poll.poll(timeout_s * 1000.0):
            if event & select.POLLOUT:
                self._flush()
            if event & select.POLLIN:
                with contextlib.suppress(BlockingIOError):
                    return os.read(self._adapter_end, READ_BYTES)
        return b""

    def write(self, reply_bytes: bytes) -> None:
        """Hand bytes to the client, now or when it reads on."""
        if not reply_bytes:
            return
        if len(self._unsent) + len(reply_bytes) > BACKLOG_BYTES:
            self.dropped_bytes += 1
            return
        self._unsent += reply_bytes
        self._flush()

    def _flush(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while self._unsent:
                del self._unsent[: os.write(self._adapter_end, self._unsent)]

    def close(self) -> None:
        """Remove the link, unless another process owns it now, and end the terminal."""
        with contextlib.suppress(OSError):
            if self.link.readlink() == Path(self.terminal):
                self.link.unlink()
        os.close(self._adapter_end)
        os.close(self._client_end)

    def __enter__(self) -> "SerialLine":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
