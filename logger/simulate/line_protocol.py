r"""The serial-line CAN protocol, adapter's side: ASCII commands in, ASCII answers out.

The one that Linux's slcan driver and python-can's `slcan` interface speak. A command is a letter
with its figures and ends with CR; the answer is CR (done) or BEL (refused).

    S0..S9  bit rate      sXXYY   bit timing       V, N  version, serial number
    O, L    open, open listening only              C     close          F  status flags
    tIIILDD..  TIIIIIIIILDD..   a data frame with 11 or 29 bits of identifier, both ways
    rIIIL      RIIIIIIIIL       a remote frame

Commands may arrive in pieces or several at once; rubbish costs one BEL and nothing else. Opening
what is open and closing what is closed is done without complaint, since clients do both. No I/O.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Literal

__all__ = ["CanFrame", "LineProtocol"]

Channel = Literal["closed", "open", "listening"]

DONE: Final = b"\r"
REFUSED: Final = b"\a"
LONGEST: Final = 64
"""Bytes of a line beyond which it is rubbish; a frame takes 27."""

_FRAME: Final = re.compile(
    rb"(?:(?P<kind>[tr])(?P<short>[0-7][0-9A-Fa-f]{2})|(?P<wide>[TR])(?P<long>[01][0-9A-Fa-f]{7}))"
    rb"(?P<length>[0-8])(?P<data>(?:[0-9A-Fa-f]{2})*)"
)
_SETTING: Final = re.compile(rb"S[0-9]|s[0-9A-Fa-f]{4}")
_CHANNEL_AFTER: Final[dict[bytes, Channel]] = {b"O": "open", b"L": "listening", b"C": "closed"}
_TOLD: Final = {b"": DONE, b"V": b"V0101\r", b"N": b"NDT01\r", b"F": b"F00\r"}
"""What is answered at once; an empty line is a greeting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CanFrame:
    """A classical CAN frame."""

    identifier: int
    extended: bool = False
    remote: bool = False
    data: bytes = b""
    """Empty for a remote frame."""
    length: int = 0
    """What a remote frame asks for; otherwise the bytes in `data`."""


class LineProtocol:
    """One adapter: the state of its channel and the bytes of a command that is not whole yet."""

    def __init__(self, sent: Callable[[CanFrame], Iterable[CanFrame]]) -> None:
        """Begin closed; `sent` gets each frame that the client sends and returns the answers."""
        self.channel: Channel = "closed"
        self._sent = sent
        self._begun = bytearray()
        self._rubbish = False

    def feed(self, received: bytes) -> bytes:
        """Return what the adapter says to the bytes that a client wrote, in any chunking."""
        said = bytearray()
        self._begun += received
        while (end := self._begun.find(b"\r")) >= 0:
            line = bytes(self._begun[:end])
            del self._begun[: end + 1]
            if self._rubbish or len(line) > LONGEST:
                self._rubbish = False
                said += REFUSED
            else:
                said += self._command(line)
        if len(self._begun) > LONGEST:
            # Kept in mind rather than in memory, until the line ends.
            self._begun.clear()
            self._rubbish = True
        return bytes(said)

    def received(self, frames: Iterable[CanFrame]) -> bytes:
        """Return the lines that tell a client of frames on the bus; none while closed."""
        if self.channel == "closed":
            return b""
        return b"".join(_line(frame) for frame in frames)

    def _command(self, line: bytes) -> bytes:
        letter = line[:1]
        if letter in {b"t", b"T", b"r", b"R"}:
            return self._transmit(line)
        if line in _CHANNEL_AFTER:
            return self._switch(_CHANNEL_AFTER[line])
        if _SETTING.fullmatch(line):
            # The bit rate is not to be changed under a channel that is open.
            return DONE if self.channel == "closed" else REFUSED
        if line == b"F" and self.channel == "closed":
            return REFUSED
        return _TOLD.get(line, REFUSED)

    def _switch(self, wanted: Channel) -> bytes:
        if wanted != "closed" and self.channel not in {"closed", wanted}:
            return REFUSED
        self.channel = wanted
        return DONE

    def _transmit(self, line: bytes) -> bytes:
        match = _FRAME.fullmatch(line)
        if match is None or self.channel != "open":
            return REFUSED
        remote = line[:1] in {b"r", b"R"}
        length = int(match["length"])
        data = bytes.fromhex(match["data"].decode("ascii"))
        if len(data) != (0 if remote else length):
            return REFUSED
        answers = self._sent(
            CanFrame(
                identifier=int(match["short"] or match["long"], 16),
                extended=match["long"] is not None,
                remote=remote,
                data=data,
                length=length,
            )
        )
        return DONE + self.received(answers)


def _line(frame: CanFrame) -> bytes:
    letter = "r" if frame.remote else "t"
    head = (
        f"{letter.upper()}{frame.identifier:08X}"
        if frame.extended
        else f"{letter}{frame.identifier:03X}"
    )
    length = frame.length if frame.remote else len(frame.data)
    return f"{head}{length}{frame.data.hex().upper()}\r".encode("ascii")
