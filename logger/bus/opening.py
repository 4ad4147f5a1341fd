"""How a bus of a bench file is opened, and how its frames are taken in batches.

python-can opens and configures every interface. Then frames of SocketCAN come straight from the
kernel (`kernel_frames`), those of every other interface through `recv(0)`: `recv(timeout)` compares
wall-clock times and hangs when the clock is set back. Both give the same batches.
"""

import logging
import os
import socket
import struct
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

import can
import numpy as np

from logger.bus.kernel_frames import KernelReader, enlarge_buffer, lost_frames, usable
from logger.bus.line_reader import OPTIONS, LineBus
from logger.bus.python_can_workarounds import (
    descriptor_of,
    forget_bad_line,
    forget_endless_line,
    is_frame,
    is_garbage,
    patience,
    reachable,
)
from logger.bus.reader import MOST_AT_ONCE, Reader, Taken
from logger.bus.serial_protocol import ProtocolReader
from logger.errors import InputError
from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import BusSettings
from logger.settings_file import nearest

__all__ = [
    "LONGEST_WRITE_S",
    "MessageReader",
    "batch_of",
    "open_bus",
    "reader_of",
]

log = logging.getLogger(__name__)

MOST_GARBLED: Final = 200
"""Unreadable lines in a row after which the next is left for later: one may never go away."""
LONGEST_WRITE_S: Final = 0.05
"""An adapter that takes nothing for so long is not waited for: receiving goes on."""
_OWN: Final = {"lines": LineBus}
"""Interfaces of this program, for whoever has not registered it with python-can."""
_SILENT_MODE: Final = {"slcan": "listen_only"}
"""Interfaces on which "do not even acknowledge" is set when they are opened."""
_AT_ONCE: Final = {"slcan": {"sleep_after_open": 0}}
"""What keeps python-can from sleeping while other buses wait."""
_BITRATE_OUTSIDE: Final = {"socketcan", "virtual", "udp_multicast", "socketcand", "lines"}
"""Interfaces whose bit rate is set by the system or the other side."""


def open_bus(settings: BusSettings, where: str) -> can.BusABC:
    """Open the bus that a bench file names.

    Raises
    ------
    InputError
        No such interface or channel, or the adapter does not answer.
    """
    interface = settings.interface
    known = sorted({*can.VALID_INTERFACES, *_OWN})
    if interface not in known:
        raise InputError(
            f"{where}: bus.interface: found {interface!r}, expected an interface of python-can."
            f"{nearest(interface, known)}"
        )
    options: dict[str, object] = {**_AT_ONCE.get(interface, {}), **settings.options}
    if settings.bitrate is not None and interface not in _BITRATE_OUTSIDE:
        options["bitrate"] = settings.bitrate
    # What a board's lines say is read, of CAN FD too: there is nothing to switch on.
    if settings.fd and interface not in _OWN:
        options["fd"] = True
        if settings.data_bitrate is not None and interface not in _BITRATE_OUTSIDE:
            options["data_bitrate"] = settings.data_bitrate
    if interface in _OWN and settings.send:
        raise InputError(
            f"{where}: bus.send: found true with interface {interface!r}, expected false: a board "
            "that prints frames cannot be told to send."
        )
    if interface in _OWN:
        for name in settings.options:
            if name not in OPTIONS:
                raise InputError(
                    f"{where}: bus.options.{name}: there is no such key.{nearest(name, OPTIONS)}"
                )
    silent = _SILENT_MODE.get(interface)
    if silent and not settings.send and not settings.acknowledge:
        options.setdefault(silent, True)
    try:
        reachable(interface, options)
        with patience(interface):
            make: Callable[..., can.BusABC] = _OWN.get(
                interface, partial(can.Bus, interface=interface)
            )
            bus = make(channel=settings.channel, **options)
        port = getattr(bus, "serialPortOrig", None)
        if port is not None:
            port.write_timeout = LONGEST_WRITE_S
    except InputError as fault:
        raise InputError(f"{where}: {fault}") from None
    except Exception as fault:  # noqa: BLE001 - a driver that is not installed raises anything
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
    if isinstance(bus, LineBus):
        return bus.reader(place=place)
    descriptor = descriptor_of(bus)
    if settings.interface == "slcan" and descriptor is not None and os.name == "posix":
        return ProtocolReader(descriptor, place=place)
    # On SocketCAN that mark means "of this machine": a simulated joint on a virtual interface.
    return MessageReader(bus, place=place, marks_sent=settings.interface != "socketcan")


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
        self._marks_sent = marks_sent

    def take(self) -> Taken:
        """Return what is there; never waits, never raises."""
        messages: list[can.Message] = []
        garbled = 0
        fault: Exception | None = None
        drained = False
        recv, keep = self._bus.recv, messages.append
        while len(messages) < MOST_AT_ONCE and garbled < MOST_GARBLED:
            try:
                message = recv(0)
            except (can.CanError, OSError) as gone:
                if not is_garbage(gone):
                    fault = gone
                    break
                garbled += 1
                forget_bad_line(self._bus)
                continue
            except (ValueError, IndexError, KeyError, struct.error):
                # python-can says so of a line that is no frame.
                garbled += 1
                forget_bad_line(self._bus)
                continue
            if message is None:
                garbled += forget_endless_line(self._bus)
                drained = True
                break
            keep(message)
        whole = [message for message in messages if is_frame(message)]
        garbled += len(messages) - len(whole)
        try:
            frames = batch_of(whole, bus=self._place)
        except (ValueError, OverflowError):
            # Whatever it is that fits no column, it costs itself and nothing else.
            one_by_one = [_alone(message, bus=self._place) for message in whole]
            frames = FrameBatch.joined([one for one in one_by_one if one is not None])
            garbled += len(whole) - len(frames)
        if not self._marks_sent:
            frames = replace(frames, flags=frames.flags & np.uint8(0xFF ^ SENT))
        return Taken(
            frames=frames, drained=drained or fault is not None, garbled=garbled, fault=fault
        )

    def lost(self) -> int:
        """Return 0: what an adapter lost is not told."""
        return 0


def _alone(message: can.Message, *, bus: int) -> FrameBatch | None:
    try:
        return batch_of([message], bus=bus)
    except (ValueError, OverflowError):
        return None


def batch_of(messages: Sequence[can.Message], *, bus: int = 0) -> FrameBatch:
    """Return messages of python-can as a batch, with their own stamps.

    Raises ValueError or OverflowError for what is no CAN frame.

    Column by column: a function call for each message would cost more than receiving it. A stamp
    that is nonsense becomes 0, which nobody believes. A remote frame carries nothing: as many zeros
    stand for the length that it asks for.
    """
    if not messages:
        return FrameBatch.empty()
    payloads = [message.data for message in messages]
    flags = np.array([message.is_extended_id for message in messages], np.uint8) * EXTENDED
    for flag, told in (
        (REMOTE, [message.is_remote_frame for message in messages]),
        (ERROR, [message.is_error_frame for message in messages]),
        (FD, [message.is_fd for message in messages]),
    ):
        if True in told:
            flags |= np.array(told, np.uint8) * np.uint8(flag)
    received = [message.is_rx for message in messages]
    if False in received:
        flags |= (1 - np.array(received, np.uint8)) * np.uint8(SENT)
    for place in np.flatnonzero(flags & REMOTE).tolist():
        payloads[place] = bytearray(min(messages[place].dlc, 8))
    stamps = np.array([message.timestamp for message in messages], np.float64)
    sane = (stamps >= 0.0) & (stamps < 9e9)
    return FrameBatch.of_columns(
        time_ns=np.rint(np.where(sane, stamps, 0.0) * 1e9).astype(np.int64),
        identifier=np.array([message.arbitration_id for message in messages], np.uint32),
        flags=flags,
        payloads=payloads,
        bus=bus,
    )
