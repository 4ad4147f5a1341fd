"""What python-can's interfaces do that a recorder has to know, each in one place.

Found by trying (4.6.1). Undecodable bytes are distinguished from a lost bus, what is kept of
a line that cannot be read is dropped (it would be met again for ever), and a connection that the
other side closed is found, which reads as a quiet bus.
"""

import contextlib
import socket
import stat
from collections.abc import Callable, Iterator, Mapping
from os import fstat
from typing import Final

import can
from can.interfaces.slcan import slcanBus
from can.interfaces.socketcand.socketcand import convert_ascii_message_to_can_message

from logger.joint.bench.identifiers import MAX_EXTENDED_ID, MAX_STANDARD_ID

__all__ = [
    "bus_descriptor",
    "check_reachable",
    "drop_bad_line",
    "drop_endless_line",
    "fault_text",
    "frame_line",
    "is_decode_error",
    "is_plausible_frame",
    "open_timeout",
    "peer_closed",
    "receiver_of",
]

MAX_SERVER_ANSWER_S: Final = 2.0
MAX_BUFFERED_LINE: Final = 300
"""Bytes: twice what the longest frame takes on a serial line, CAN FD included."""
MAX_BUFFERED_MESSAGES: Final = 8192
_TCP_SOCKET: Final = "_SocketCanDaemonBus__socket"
_TCP_BUFFER: Final = "_SocketCanDaemonBus__receive_buffer"


@contextlib.contextmanager
def open_timeout(interface: str) -> Iterator[None]:
    """Bound how long opening a bus may take: a server that never answers would be waited for."""
    if interface != "socketcand":
        yield
        return
    previous_timeout = socket.getdefaulttimeout()
    socket.setdefaulttimeout(MAX_SERVER_ANSWER_S)
    try:
        yield
    finally:
        socket.setdefaulttimeout(previous_timeout)


def bus_descriptor(bus: can.BusABC) -> int | None:
    """Return the descriptor to wait on; None where the interface has none."""
    private_socket = getattr(bus, _TCP_SOCKET, None)
    try:
        descriptor = (
            private_socket.fileno() if isinstance(private_socket, socket.socket) else bus.fileno()
        )
    except (NotImplementedError, can.CanError):
        return None
    return descriptor if descriptor >= 0 else None


def peer_closed(descriptor: int) -> bool:
    """Return whether the other side of a connection has closed it, which `recv` does not report."""
    try:
        if not stat.S_ISSOCK(fstat(descriptor).st_mode):
            return False
        endpoint = socket.socket(fileno=descriptor)
    except OSError:
        return False
    try:
        if endpoint.type != socket.SOCK_STREAM:
            return False
        return endpoint.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True
    finally:
        endpoint.detach()


def is_decode_error(fault: Exception) -> bool:
    """Return whether a fault that python-can raises is only an undecodable line, not the bus."""
    nonsense = isinstance(fault.__cause__, (ValueError, LookupError, OverflowError))
    return nonsense or "delimiter" in str(fault)


def fault_text(fault: Exception) -> str:
    """Return what a fault says in one line.

    Some interfaces put a whole traceback, with the paths of this machine, into their message.
    """
    text = str(fault).partition("Traceback (most recent call last)")[0]
    lines = text.strip().splitlines()
    return lines[0].strip().rstrip(".") if lines else type(fault).__name__


def is_plausible_frame(message: can.Message) -> bool:
    """Return whether a message can be a real frame: not cut, length and identifier in range."""
    max_identifier = MAX_EXTENDED_ID if message.is_extended_id else MAX_STANDARD_ID
    # Below nothing, too: "-01" reads as a number.
    if not 0 <= message.arbitration_id <= max_identifier:
        return False
    if message.is_remote_frame:
        return True
    size = len(message.data)
    return size >= message.dlc if message.is_fd else min(message.dlc, 8) <= size <= 8


def receiver_of(bus: can.BusABC) -> Callable[[float], tuple[can.Message | None, bool]]:
    """Return a function that gives the next message of a bus, if there is one within a time.

    Its second result means nothing here. For a bus without filters it is the one that `recv` calls:
    with no time to wait, `recv` only adds looks at the clock, at a third of the cost of a message.
    """
    if getattr(bus.recv, "__func__", None) is can.BusABC.recv and bus.filters is None:
        return bus._recv_internal
    return lambda timeout: (bus.recv(timeout), True)


def drop_bad_line(bus: can.BusABC) -> None:
    """Drop python-can's buffer of a line that it cannot read."""
    line = getattr(bus, "_buffer", None)
    if isinstance(line, bytearray):
        line.clear()
    buffered = getattr(bus, _TCP_BUFFER, None)
    if isinstance(buffered, str):
        setattr(bus, _TCP_BUFFER, _after_bad_message(buffered))


def drop_endless_line(bus: can.BusABC) -> int:
    """Drop an unfinished line that is longer than any frame; return the lines dropped."""
    count = 0
    line = getattr(bus, "_buffer", None)
    if isinstance(line, bytearray) and len(line) > MAX_BUFFERED_LINE:
        line.clear()
        count += 1
    buffered = getattr(bus, _TCP_BUFFER, None)
    if isinstance(buffered, str) and len(buffered) > MAX_BUFFERED_MESSAGES:
        setattr(bus, _TCP_BUFFER, "")
        count += 1
    return count


def check_reachable(interface: str, options: Mapping[str, object]) -> None:
    """Raise OSError when a server is not there: python-can would spin on it for ten seconds."""
    if interface != "socketcand":
        return
    host, port = str(options.get("host", "localhost")), int(str(options.get("port", 29536)))
    socket.create_connection((host, port), timeout=MAX_SERVER_ANSWER_S).close()


def _after_bad_message(buffered: str) -> str:
    """Return the bytes after the first message that cannot be read.

    Those before it have been returned already, though they are still in the buffer.
    """
    while (end := buffered.find(">")) >= 0:
        message, buffered = buffered[max(buffered.find("<"), 0) : end + 1], buffered[end + 1 :]
        try:
            convert_ascii_message_to_can_message(message)
        except (ValueError, IndexError):
            return buffered
    return buffered


def frame_line(bus: slcanBus, message: can.Message) -> bytes:
    """Return the line that an adapter on a serial line is sent for a frame, with its end.

    python-can only makes it to write it. Raises what it raises for a message that is no frame.
    """
    lines: list[str] = []
    vars(bus)["_write"] = lines.append
    try:
        bus.send(message, timeout=bus.serialPortOrig.write_timeout)
    finally:
        del vars(bus)["_write"]
    return b"".join(line.encode() + bus.LINE_TERMINATOR for line in lines)
