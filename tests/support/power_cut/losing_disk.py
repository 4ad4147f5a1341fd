"""A disk with a cache that forgets: what was not flushed when the power goes may be gone.

A block device over the network block device protocol (NBD, fixed newstyle handshake, simple
replies), as qemu opens it at a Unix socket. Writes stay in memory until a flush. When the power is
cut each block that was not flushed is kept or lost by itself, so writes are also reordered; what
was flushed stays. That is what a drive may do, and worse than most do.
"""

import random
import socket
import struct
import threading
from pathlib import Path
from typing import Final

__all__ = ["LosingDisk"]

BLOCK: Final = 4096
_OPTION_MAGIC: Final = 0x49484156454F5054
_OPTION_REPLY: Final = 0x3E889045565A9
_REQUEST: Final = 0x25609513
_SIMPLE_REPLY: Final = 0x67446698
_EXPORT_NAME, _ABORT, _GO = 1, 2, 7
_READ, _WRITE, _DISCONNECT, _FLUSH = range(4)
_FLAGS: Final = 0b1101
"""Of the export: has flags, takes flushes, and writes that are flushed at once (FUA)."""
_FUA: Final = 1 << 0
_UNSUPPORTED: Final = 0x80000001
_ACK, _INFO = 1, 3


class LosingDisk:
    """Serves an image at a socket, until the machine that opened it is gone."""

    def __init__(self, image: Path, address: Path) -> None:
        self._image = image.open("r+b")
        self.size = image.stat().st_size
        self._waiting: dict[int, bytes] = {}
        self.flushes = 0
        self._listener = socket.socket(socket.AF_UNIX)
        address.unlink(missing_ok=True)
        self._listener.bind(str(address))
        self._listener.listen(1)
        self._thread = threading.Thread(target=self._serve, name="disk", daemon=True)
        self._thread.start()

    def cut(self, dice: random.Random) -> tuple[int, int]:
        """Lose what was not flushed, each block or not; return how many were kept and lost."""
        kept = [block for block in sorted(self._waiting) if dice.random() < 0.5]
        for block in kept:
            self._store(block, self._waiting[block])
        lost = len(self._waiting) - len(kept)
        self._waiting.clear()
        return len(kept), lost

    def close(self) -> None:
        """Wait for the machine's end; raises TimeoutError where it goes on."""
        self._thread.join(60.0)
        if self._thread.is_alive():
            raise TimeoutError("the machine still has the disk open")
        self._listener.close()

    def close_image(self) -> None:
        """Let go of the image; what waits is dropped."""
        self._image.close()

    def _serve(self) -> None:
        connection, _ = self._listener.accept()
        with connection:
            try:
                if self._negotiate(connection):
                    self._answer_requests(connection)
            except (ConnectionError, EOFError):
                # The power was cut.
                return

    def _negotiate(self, line: socket.socket) -> bool:
        line.sendall(struct.pack(">8sQH", b"NBDMAGIC", _OPTION_MAGIC, 1))
        has_zeroes = not struct.unpack(">I", _take(line, 4))[0] & 2
        while True:
            _, option, length = struct.unpack(">QII", _take(line, 16))
            _take(line, length)
            if option == _EXPORT_NAME:
                line.sendall(struct.pack(">QH", self.size, _FLAGS) + bytes(124 * has_zeroes))
                return True
            if option == _GO:
                export = struct.pack(">HQH", 0, self.size, _FLAGS)
                line.sendall(_option_reply(option, _INFO, export) + _option_reply(option, _ACK))
                return True
            line.sendall(_option_reply(option, _ACK if option == _ABORT else _UNSUPPORTED))
            if option == _ABORT:
                return False

    def _answer_requests(self, line: socket.socket) -> None:
        while True:
            _, flags, kind, handle, place, length = struct.unpack(">IHHQQI", _take(line, 28))
            content = b""
            if kind == _READ:
                content = self._read(place, length)
            elif kind == _WRITE:
                self._write(place, _take(line, length))
            elif kind == _DISCONNECT:
                self._flush()
                return
            if kind == _FLUSH or flags & _FUA:
                self._flush()
            line.sendall(struct.pack(">IIQ", _SIMPLE_REPLY, 0, handle) + content)

    def _read(self, place: int, length: int) -> bytes:
        first, last = place // BLOCK, -(-(place + length) // BLOCK)
        content = b"".join(self._block(block) for block in range(first, last))
        return content[place - first * BLOCK :][:length]

    def _block(self, block: int) -> bytes:
        if block in self._waiting:
            return self._waiting[block]
        self._image.seek(block * BLOCK)
        return self._image.read(BLOCK)

    def _write(self, place: int, content: bytes) -> None:
        while content:
            block, within = divmod(place, BLOCK)
            piece = content[: BLOCK - within]
            old = self._block(block)
            self._waiting[block] = old[:within] + piece + old[within + len(piece) :]
            place, content = place + len(piece), content[len(piece) :]

    def _flush(self) -> None:
        # A flag of a single write would let the others wait; keeping more than asked is allowed.
        for block, content in self._waiting.items():
            self._store(block, content)
        self._waiting.clear()
        self.flushes += 1

    def _store(self, block: int, content: bytes) -> None:
        self._image.seek(block * BLOCK)
        self._image.write(content)


def _option_reply(option: int, kind: int, content: bytes = b"") -> bytes:
    return struct.pack(">QIII", _OPTION_REPLY, option, kind, len(content)) + content


def _take(line: socket.socket, length: int) -> bytes:
    content = bytearray()
    while len(content) < length:
        piece = line.recv(length - len(content))
        if not piece:
            raise EOFError
        content += piece
    return bytes(content)
