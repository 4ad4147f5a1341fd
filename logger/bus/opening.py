"""How a bus of a bench file is opened, and how its frames are taken in batches.

python-can opens and configures every interface. Then frames of SocketCAN come straight from the
kernel (`kernel_frames`), those of every other interface as by `recv(0)`: `recv(timeout)` compares
wall-clock times and hangs when the clock is set back. Both give the same batches.
"""

import logging
import os
import socket
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

import can
import numpy as np
from can.interfaces.slcan import slcanBus

from logger.arrays import stamps_to_ns
from logger.bus.kernel_frames import KernelReader, dropped_frames, enlarge_buffer, is_supported
from logger.bus.line_reader import LINE_OPTIONS, LineBus
from logger.bus.python_can_workarounds import (
    bus_descriptor,
    check_reachable,
    drop_bad_line,
    drop_endless_line,
    is_decode_error,
    is_plausible_frame,
    open_timeout,
    receiver_of,
)
from logger.bus.reader import MAX_FRAMES_AT_ONCE, FrameReader, ReadResult
from logger.bus.serial_output import MAX_WRITE_S, SerialOutput
from logger.bus.serial_protocol import ProtocolReader
from logger.errors import InputError
from logger.joint.batch import CLASSIC_BYTES, ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from logger.joint.bench.bench import BusSettings
from logger.joint.bench.identifiers import MAX_STANDARD_ID
from logger.settings_file import did_you_mean

__all__ = [
    "MessageReader",
    "open_bus",
    "output_for",
    "reader_for",
    "to_batch",
]

log = logging.getLogger(__name__)

MAX_GARBLED: Final = 200
"""Unreadable lines in a row after which the next is left for later: one may never go away."""
_BUFFER_BYTES_PER_S: Final = 8_000 * 800
"""What a full bus of 1 Mbit/s takes of a receive buffer in a second."""
_MAX_READ_DELAY_S: Final = 0.05
_OWN_INTERFACES: Final = {"lines": LineBus}
"""This program's own interfaces, where they are not registered with python-can."""
_LISTEN_ONLY_OPTION: Final = {"slcan": "listen_only"}
"""Interfaces whose listen-only mode is set when they are opened -> the option."""
_FAST_OPEN_OPTIONS: Final = {"slcan": {"sleep_after_open": 0}}
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
    known_interfaces = sorted({*can.VALID_INTERFACES, *_OWN_INTERFACES})
    if interface not in known_interfaces:
        raise InputError(
            f"{where}: bus.interface: found {interface!r}, expected an interface of python-can."
            f"{did_you_mean(interface, known_interfaces)}"
        )
    options: dict[str, object] = {**_FAST_OPEN_OPTIONS.get(interface, {}), **settings.options}
    if settings.bitrate is not None and interface not in _BITRATE_OUTSIDE:
        options["bitrate"] = settings.bitrate
    # What a board's lines say is read, of CAN FD too: there is nothing to switch on.
    if settings.fd and interface not in _OWN_INTERFACES:
        options["fd"] = True
        if settings.data_bitrate is not None and interface not in _BITRATE_OUTSIDE:
            options["data_bitrate"] = settings.data_bitrate
    if interface in _OWN_INTERFACES and settings.send:
        raise InputError(
            f"{where}: bus.send: found true with interface {interface!r}, expected false: a board "
            "that prints frames cannot send."
        )
    if interface in _OWN_INTERFACES:
        for name in settings.options:
            if name not in LINE_OPTIONS:
                hint = did_you_mean(name, LINE_OPTIONS)
                raise InputError(f"{where}: bus.options.{name}: there is no such key.{hint}")
    listen_only_option = _LISTEN_ONLY_OPTION.get(interface)
    if listen_only_option and not settings.send and not settings.acknowledge:
        options.setdefault(listen_only_option, True)
    try:
        check_reachable(interface, options)
        with open_timeout(interface):
            make: Callable[..., can.BusABC] = _OWN_INTERFACES.get(
                interface, partial(can.Bus, interface=interface)
            )
            bus = make(channel=settings.channel, **options)
        port = getattr(bus, "serialPortOrig", None)
        if port is not None:
            port.write_timeout = MAX_WRITE_S
    except InputError as fault:
        raise InputError(f"{where}: {fault}") from None
    except Exception as fault:  # noqa: BLE001 - a driver that is not installed raises anything
        raise InputError(
            f"{where}: bus.channel: {interface} cannot open {settings.channel!r} ({fault}). Is the "
            "adapter plugged in, its name right, and free of other programs?"
        ) from None
    return bus


def reader_for(
    bus: can.BusABC,
    settings: BusSettings,
    bus_index: int,
    *,
    now_ns: Callable[[], int] = time.time_ns,
) -> FrameReader:
    """Return the fastest way to take frames from a bus that is open.

    `now_ns`: the clock that gives frames their time where neither system nor adapter does.
    """
    endpoint = getattr(bus, "socket", None)
    if settings.interface == "socketcan" and isinstance(endpoint, socket.socket) and is_supported():
        buffer_bytes = enlarge_buffer(endpoint)
        log.info("receive buffer of %s: %d bytes", settings.channel, buffer_bytes)
        return _KernelFrameReader(
            endpoint, fd=settings.fd, bus_index=bus_index, buffer_bytes=buffer_bytes
        )
    if isinstance(bus, LineBus):
        return bus.line_reader(bus_index=bus_index, now_ns=now_ns)
    descriptor = bus_descriptor(bus)
    if settings.interface == "slcan" and descriptor is not None and os.name == "posix":
        return ProtocolReader(descriptor, bus_index=bus_index, now_ns=now_ns)
    # On SocketCAN that mark means "of this machine": a simulated joint on a virtual interface.
    return MessageReader(
        bus,
        bus_index=bus_index,
        marks_sent=settings.interface != "socketcan",
        keeps_all=settings.interface == "virtual",
    )


def output_for(bus: can.BusABC) -> SerialOutput | None:
    """Return the way to send many frames at once; None: python-can sends them one by one."""
    descriptor = bus_descriptor(bus)
    if isinstance(bus, slcanBus) and descriptor is not None:
        return SerialOutput(bus, descriptor)
    return None


class _KernelFrameReader:
    """Reads SocketCAN, many frames at a time."""

    stamps_on_read = False
    counts_losses = True

    def __init__(
        self, endpoint: socket.socket, *, fd: bool, bus_index: int, buffer_bytes: int
    ) -> None:
        self.read_delay_s = min(buffer_bytes / _BUFFER_BYTES_PER_S / 8, _MAX_READ_DELAY_S)
        self._endpoint = endpoint
        self._reader = KernelReader(endpoint, fd=fd, bus=bus_index)

    def read_frames(self) -> ReadResult:
        batches: list[FrameBatch] = []
        count, drained = 0, False
        try:
            while not drained and count < MAX_FRAMES_AT_ONCE:
                frames, drained = self._reader.read_frames()
                batches.append(frames)
                count += len(frames)
        except OSError as fault:
            return ReadResult(frames=FrameBatch.concatenate(batches), drained=True, fault=fault)
        return ReadResult(
            frames=FrameBatch.concatenate(batches), drained=drained, may_have_overrun=False
        )

    def dropped_count(self) -> int:
        return dropped_frames(self._endpoint)


class MessageReader:
    """Reads every other interface: one call for each frame."""

    stamps_on_read = False
    read_delay_s = 0.0
    counts_losses = False

    def __init__(
        self, bus: can.BusABC, *, bus_index: int, marks_sent: bool = True, keeps_all: bool = False
    ) -> None:
        """Take frames from `bus`.

        `marks_sent`: what it calls sent, this program sent. `keeps_all`: it waits for ever.
        """
        self._bus = bus
        self._receive = receiver_of(bus)
        self._bus_index = bus_index
        self._marks_sent = marks_sent
        self._keeps_all = keeps_all

    def read_frames(self) -> ReadResult:
        """Return the frames received so far; never waits, never raises."""
        messages: list[can.Message] = []
        garbled = 0
        fault: Exception | None = None
        drained = False
        receive, keep_message = self._receive, messages.append
        while len(messages) < MAX_FRAMES_AT_ONCE and garbled < MAX_GARBLED:
            try:
                for _ in range(MAX_FRAMES_AT_ONCE - len(messages)):
                    message, _is_filtered = receive(0)
                    if message is None:
                        drained = True
                        break
                    keep_message(message)
            except (can.CanError, OSError) as closed_error:
                if not is_decode_error(closed_error):
                    fault = closed_error
                    break
                garbled += 1
                drop_bad_line(self._bus)
            except (ValueError, IndexError, KeyError, struct.error):
                # python-can raises this for a line that is no frame.
                garbled += 1
                drop_bad_line(self._bus)
            if drained:
                garbled += drop_endless_line(self._bus)
                break
        # Most are whole at a glance; a call for each would cost as much as its columns.
        whole_messages = [
            message
            for message in messages
            if (
                0 <= message.arbitration_id <= MAX_STANDARD_ID
                and message.dlc == len(message.data) <= CLASSIC_BYTES
            )
            or is_plausible_frame(message)
        ]
        garbled += len(messages) - len(whole_messages)
        try:
            frames = to_batch(whole_messages, bus=self._bus_index)
        except (ValueError, OverflowError):
            # Whatever it is that fits no column, it costs itself and nothing else.
            one_by_one = [_single_batch(message, bus=self._bus_index) for message in whole_messages]
            frames = FrameBatch.concatenate(
                [single_batch for single_batch in one_by_one if single_batch is not None]
            )
            garbled += len(whole_messages) - len(frames)
        if not self._marks_sent:
            frames = replace(frames, flags=frames.flags & np.uint8(0xFF ^ SENT))
        return ReadResult(
            frames=frames,
            drained=drained or fault is not None,
            garbled=garbled,
            may_have_overrun=not self._keeps_all,
            fault=fault,
        )

    def dropped_count(self) -> int:
        """Return 0: the adapter does not report its losses."""
        return 0


def _single_batch(message: can.Message, *, bus: int) -> FrameBatch | None:
    try:
        return to_batch([message], bus=bus)
    except (ValueError, OverflowError):
        return None


def to_batch(messages: Sequence[can.Message], *, bus: int = 0) -> FrameBatch:
    """Return messages of python-can as a batch, with their own stamps.

    Raises ValueError or OverflowError for a message that is no CAN frame.

    Column by column: a function call for each message would cost more than receiving it. An
    impossible stamp becomes 0. A remote frame carries nothing: it gets
    as many zeros as the length that it asks for.
    """
    if not messages:
        return FrameBatch.empty()
    payloads = [message.data for message in messages]
    flags = np.zeros(len(messages), np.uint8)
    is_extended = [message.is_extended_id for message in messages]
    if True in is_extended:
        flags |= np.array(is_extended, np.uint8) * np.uint8(EXTENDED)
    if any(
        message.is_remote_frame or message.is_error_frame or message.is_fd or not message.is_rx
        for message in messages
    ):
        for flag, is_set in (
            (REMOTE, [message.is_remote_frame for message in messages]),
            (ERROR, [message.is_error_frame for message in messages]),
            (FD, [message.is_fd for message in messages]),
            (SENT, [not message.is_rx for message in messages]),
        ):
            flags |= np.array(is_set, np.uint8) * np.uint8(flag)
        for index in np.flatnonzero(flags & REMOTE).tolist():
            payloads[index] = bytearray(min(messages[index].dlc, 8))
    stamps = np.array([message.timestamp for message in messages], np.float64)
    sane = (stamps >= 0.0) & (stamps < 9e9)
    return FrameBatch.from_columns(
        time_ns=stamps_to_ns(np.where(sane, stamps, 0.0)),
        identifier=np.array([message.arbitration_id for message in messages], np.uint32),
        flags=flags,
        payloads=payloads,
        bus=bus,
    )
