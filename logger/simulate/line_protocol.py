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

ChannelState = Literal["closed", "open", "listening"]

ACKNOWLEDGED: Final = b"\r"
REFUSED: Final = b"\a"
MAX_COMMAND_BYTES: Final = 64
"""Bytes of a line beyond which it is rubbish; a frame takes 27."""

_FRAME_COMMAND: Final = re.compile(
    rb"(?:(?P<kind>[tr])(?P<short>[0-7][0-9A-Fa-f]{2})|(?P<wide>[TR])(?P<long>[01][0-9A-Fa-f]{7}))"
    rb"(?P<length>[0-8])(?P<data>(?:[0-9A-Fa-f]{2})*)"
)
_SETTING_COMMAND: Final = re.compile(rb"S[0-9]|s[0-9A-Fa-f]{4}")
_CHANNEL_AFTER: Final[dict[bytes, ChannelState]] = {b"O": "open", b"L": "listening", b"C": "closed"}
_FIXED_REPLIES: Final = {b"": ACKNOWLEDGED, b"V": b"V0101\r", b"N": b"NDT01\r", b"F": b"F00\r"}
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

    def __init__(self, on_sent: Callable[[CanFrame], Iterable[CanFrame]]) -> None:
        """Begin closed; `on_sent` gets each frame that the client sends and returns the answers."""
        self.channel: ChannelState = "closed"
        self._on_sent = on_sent
        self._partial_command = bytearray()
        self._is_overlong = False

    def feed_bytes(self, received: bytes) -> bytes:
        """Return the adapter's response to the bytes that a client wrote, in any chunking."""
        replies = bytearray()
        self._partial_command += received
        while (end := self._partial_command.find(b"\r")) >= 0:
            line = bytes(self._partial_command[:end])
            del self._partial_command[: end + 1]
            if self._is_overlong or len(line) > MAX_COMMAND_BYTES:
                self._is_overlong = False
                replies += REFUSED
            else:
                replies += self._run_command(line)
        if len(self._partial_command) > MAX_COMMAND_BYTES:
            # Kept in mind rather than in memory, until the line ends.
            self._partial_command.clear()
            self._is_overlong = True
        return bytes(replies)

    def frame_lines(self, frames: Iterable[CanFrame]) -> bytes:
        """Return the lines of frames on the bus for a client; none while closed."""
        if self.channel == "closed":
            return b""
        return b"".join(_frame_line(frame) for frame in frames)

    def _run_command(self, line: bytes) -> bytes:
        letter = line[:1]
        if letter in {b"t", b"T", b"r", b"R"}:
            return self._transmit(line)
        if line in _CHANNEL_AFTER:
            return self._switch_channel(_CHANNEL_AFTER[line])
        if _SETTING_COMMAND.fullmatch(line):
            # The bit rate is not to be changed under a channel that is open.
            return ACKNOWLEDGED if self.channel == "closed" else REFUSED
        if line == b"F" and self.channel == "closed":
            return REFUSED
        return _FIXED_REPLIES.get(line, REFUSED)

    def _switch_channel(self, target_state: ChannelState) -> bytes:
        if target_state != "closed" and self.channel not in {"closed", target_state}:
            return REFUSED
        self.channel = target_state
        return ACKNOWLEDGED

    def _transmit(self, line: bytes) -> bytes:
        match = _FRAME_COMMAND.fullmatch(line)
        if match is None or self.channel != "open":
            return REFUSED
        remote = line[:1] in {b"r", b"R"}
        length = int(match["length"])
        data = bytes.fromhex(match["data"].decode("ascii"))
        if len(data) != (0 if remote else length):
            return REFUSED
        answers = self._on_sent(
            CanFrame(
                identifier=int(match["short"] or match["long"], 16),
                extended=match["long"] is not None,
                remote=remote,
                data=data,
                length=length,
            )
        )
        return ACKNOWLEDGED + self.frame_lines(answers)


def _frame_line(frame: CanFrame) -> bytes:
    letter = "r" if frame.remote else "t"
    head = (
        f"{letter.upper()}{frame.identifier:08X}"
        if frame.extended
        else f"{letter}{frame.identifier:03X}"
    )
    length = frame.length if frame.remote else len(frame.data)
    return f"{head}{length}{frame.data.hex().upper()}\r".encode("ascii")
