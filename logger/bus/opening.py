"""How a bus of a bench file is opened, and how its frames are taken in batches.

python-can opens and configures every interface. Then frames of SocketCAN come straight from the
kernel (`kernel_frames`), those of every other interface through `recv(0)`: `recv(timeout)` compares
wall-clock times and hangs when the clock is set back. Both give the same batches.
"""

import logging
import socket
import stat
import struct
from dataclasses import dataclass
from os import fstat
from typing import Final, Protocol

import can

from logger.bus.kernel_frames import KernelReader, enlarge_buffer, lost_frames, usable
from logger.errors import InputError
from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from logger.joint.bench import BusSettings
from logger.settings_file import nearest

__all__ = [
    "LONGEST_WRITE_S",
    "MessageReader",
    "Reader",
    "Taken",
    "ended",
    "open_bus",
    "reader_of",
    "row_of",
]

log = logging.getLogger(__name__)

MOST_AT_ONCE: Final = 4000
MOST_GARBLED: Final = 200
"""Unreadable lines in a row after which the next is left for later: one may never go away."""
LONGEST_WRITE_S: Final = 0.05
"""An adapter that takes nothing for so long is not waited for: receiving goes on."""
_SILENT_MODE: Final = {"slcan": "listen_only"}
"""Interfaces on which "do not even acknowledge" is set when they are opened."""
_AT_ONCE: Final = {"slcan": {"sleep_after_open": 0}}
"""What keeps python-can from sleeping while other buses wait."""
_BITRATE_OUTSIDE: Final = {"socketcan", "virtual", "udp_multicast", "socketcand"}
"""Interfaces whose bit rate is set by the system or the other side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What one look at a bus brought; `time_ns` of the frames are the adapter's own stamps."""

    frames: FrameBatch
    drained: bool
    """Nothing was left."""
    garbled: int = 0
    """Lines or frames that could not be read."""
    fault: Exception | None = None
    """Why the bus is gone."""


class Reader(Protocol):
    """Takes frames from an open bus."""

    def take(self) -> Taken:
        """Return what is there; never waits, never raises."""

    def lost(self) -> int:
        """Return how many frames the system has dropped since the bus was opened."""


def open_bus(settings: BusSettings, where: str) -> can.BusABC:
    """Open the bus that a bench file names.

    Raises
    ------
    InputError
        No such interface or channel, or the adapter does not answer.
    """
    interface = settings.interface
    if interface not in can.VALID_INTERFACES:
        known = sorted(can.VALID_INTERFACES)
        raise InputError(
            f"{where}: bus.interface: found {interface!r}, expected an interface of python-can."
            f"{nearest(interface, known)}"
        )
    options: dict[str, object] = {**_AT_ONCE.get(interface, {}), **settings.options}
    if settings.bitrate is not None and interface not in _BITRATE_OUTSIDE:
        options["bitrate"] = settings.bitrate
    if settings.fd:
        options["fd"] = True
        if settings.data_bitrate is not None and interface not in _BITRATE_OUTSIDE:
            options["data_bitrate"] = settings.data_bitrate
    silent = _SILENT_MODE.get(interface)
    if silent and not settings.send and not settings.acknowledge:
        options.setdefault(silent, True)
    try:
        bus = can.Bus(interface=interface, channel=settings.channel, **options)  # type: ignore[arg-type]
        port = getattr(bus, "serialPortOrig", None)
        if port is not None:
            port.write_timeout = LONGEST_WRITE_S
    except (can.CanError, OSError, ValueError, TypeError, ImportError) as fault:
        raise InputError(
            f"{where}: bus.channel: {interface} cannot open {settings.channel!r} ({fault}). Is the "
            "adapter plugged in, its name right, and free of other programs?"
        ) from None
    return bus


def reader_of(bus: can.BusABC, settings: BusSettings, place: int) -> Reader:
    """Return the fastest way to take frames from a bus that is open."""
    endpoint = getattr(bus, "socket", None)
    if settings.interface == "socketcan" and isinstance(endpoint, socket.socket) and usable():
        got = enlarge_buffer(endpoint)
        log.info("receive buffer of %s: %d bytes", settings.channel, got)
        return _KernelTaker(endpoint, fd=settings.fd, place=place)
    # On SocketCAN that mark means "of this machine": a simulated joint on a virtual interface.
    return MessageReader(bus, place=place, marks_sent=settings.interface != "socketcan")


def ended(descriptor: int) -> bool:
    """Return whether the other side of a connection has closed it, which `recv` does not tell."""
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


class _KernelTaker:
    """The batched way of SocketCAN."""

    def __init__(self, endpoint: socket.socket, *, fd: bool, place: int) -> None:
        self._endpoint = endpoint
        self._reader = KernelReader(endpoint, fd=fd, bus=place)

    def take(self) -> Taken:
        batches: list[FrameBatch] = []
        count, drained = 0, False
        try:
            while not drained and count < MOST_AT_ONCE:
                frames, drained = self._reader.take()
                batches.append(frames)
                count += len(frames)
        except OSError as fault:
            return Taken(frames=FrameBatch.joined(batches), drained=True, fault=fault)
        return Taken(frames=FrameBatch.joined(batches), drained=drained)

    def lost(self) -> int:
        return lost_frames(self._endpoint)


class MessageReader:
    """The way of every other interface: a call for each frame."""

    def __init__(self, bus: can.BusABC, *, place: int, marks_sent: bool = True) -> None:
        """Take frames from `bus`; `marks_sent`: what it calls sent, this program sent."""
        self._bus = bus
        self._place = place
        self._ignored = 0xFF if marks_sent else 0xFF ^ SENT

    def take(self) -> Taken:
        """Return what is there; never waits, never raises."""
        rows: list[tuple[int, int, int, bytes]] = []
        garbled = 0
        fault: Exception | None = None
        drained = True
        recv = self._bus.recv
        while True:
            if len(rows) >= MOST_AT_ONCE or garbled >= MOST_GARBLED:
                drained = False
                break
            try:
                message = recv(0)
            except (can.CanError, OSError) as gone:
                fault = gone
                break
            except (ValueError, IndexError, KeyError, struct.error):
                # python-can says so of a line that is no frame; the next call goes on behind it.
                garbled += 1
                continue
            if message is None:
                break
            stamp, identifier, flags, payload = row_of(message)
            rows.append((stamp, identifier, flags & self._ignored, payload))
        return Taken(
            frames=FrameBatch.of(rows, bus=self._place),
            drained=drained,
            garbled=garbled,
            fault=fault,
        )

    def lost(self) -> int:
        """Return 0: what an adapter lost is not told."""
        return 0


def row_of(message: can.Message) -> tuple[int, int, int, bytes]:
    """Return a message of python-can as a row of `FrameBatch.of`, with its own stamp.

    A remote frame carries nothing: as many zeros stand for the length that it asks for.
    """
    flags = EXTENDED if message.is_extended_id else 0
    if message.is_remote_frame:
        flags |= REMOTE
    if message.is_error_frame:
        flags |= ERROR
    if message.is_fd:
        flags |= FD
    if not message.is_rx:
        flags |= SENT
    payload = bytes(min(message.dlc, 8)) if message.is_remote_frame else bytes(message.data)
    return stamp_ns(message.timestamp), message.arbitration_id, flags, payload


def stamp_ns(stamp_s: float) -> int:
    """Return an adapter's stamp in nanoseconds; 0, which nobody believes, for nonsense."""
    return round(stamp_s * 1e9) if 0.0 <= stamp_s < 9e9 else 0
