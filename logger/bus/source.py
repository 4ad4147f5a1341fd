"""The bus: open, receive in batches, notice a loss, come back.

Any interface of python-can. `receive` waits on the file descriptor and then takes what is there
with `recv(0)`: `recv(timeout)` compares wall-clock times and hangs when the clock is set back. A
bus that goes is told once and opened again with growing pauses. For one thread.
"""

import logging
import select
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import can
import numpy as np

from logger.bus.clock import Axis, Reading, read_clocks
from logger.errors import InputError
from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from logger.joint.bench import BusSettings
from logger.settings_file import nearest

__all__ = ["Received", "Source", "open_bus"]

log = logging.getLogger(__name__)

MOST_AT_ONCE: Final = 4000
MOST_GARBLED: Final = 200
"""Unreadable lines in a row after which the next is left for later: one may never go away."""
POLL_S: Final = 0.002
QUIET_CALLS: Final = 5
"""Calls in a row in which a bus said "there is something" and gave nothing, before it is paused."""
SHORTEST_PAUSE_S: Final = 0.25
LONGEST_PAUSE_S: Final = 10.0
LONGEST_WRITE_S: Final = 0.05
"""An adapter that takes nothing for so long is not waited for: receiving goes on."""
_SILENT_MODE: Final = {"slcan": "listen_only"}
"""Interfaces on which "do not even acknowledge" is set when they are opened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What one call of `receive` brought."""

    frames: FrameBatch
    until_ns: int
    """Every later frame has a time of at least this."""
    said: tuple[tuple[str, str], ...] = ()
    """(kind, sentence) of what happened: bus lost, bus back, clock step."""


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
    options: dict[str, object] = dict(settings.options)
    if settings.bitrate is not None:
        options["bitrate"] = settings.bitrate
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


class Source:
    """A bus that is open, or being opened again."""

    def __init__(
        self,
        settings: BusSettings,
        axis: Axis,
        *,
        where: str,
        clocks: Callable[[], Reading] = read_clocks,
    ) -> None:
        """Open the bus; raises InputError when it cannot be opened at all."""
        self._settings = settings
        self._where = where
        self._axis = axis
        self._clocks = clocks
        self._bus: can.BusABC | None = open_bus(settings, where)
        self._descriptor = _descriptor(self._bus)
        self._retry_at_s = 0.0
        self._pause_s = SHORTEST_PAUSE_S
        self._lost_at_ns = 0
        self._heard = False
        self._quiet_calls = 0
        self._until_ns = axis.anchor.wall_ns
        self.garbled = 0
        """Lines or frames that the adapter sent and python-can could not read."""

    def receive(self, wait_s: float) -> Received:
        """Return what has come, after waiting for at most `wait_s` when nothing has."""
        said: list[tuple[str, str]] = []
        messages: list[can.Message] = []
        if self._bus is None:
            time.sleep(min(wait_s, 0.05))
            self._reopen(said)
        else:
            self._wait(wait_s)
        reading = self._clocks()
        drained = True
        if self._bus is not None:
            drained = self._drain(messages, said)
            self._quiet_calls = 0 if messages else self._quiet_calls + 1
        after = self._clocks()
        said.extend(("clock step", text) for text in self._axis.oddities(after))
        frames = _batch(messages)
        times = self._axis.stamped(
            np.array([_stamp_ns(message.timestamp) for message in messages], np.int64), after
        )
        # A stamp from before the last promise counts as that instant: the promise holds.
        times = np.maximum(times, self._until_ns)
        if messages and not drained:
            self._until_ns = int(times[-1])
        else:
            self._until_ns = max(self._until_ns, self._axis.at(reading))
        return Received(
            frames=FrameBatch(
                time_ns=times,
                identifier=frames.identifier,
                flags=frames.flags,
                length=frames.length,
                data=frames.data,
            ),
            until_ns=self._until_ns,
            said=tuple(said),
        )

    def send(self, message: can.Message) -> bool:
        """Send a frame; False when the bus is away or refuses."""
        if self._bus is None:
            return False
        try:
            self._bus.send(message, timeout=LONGEST_WRITE_S)
        except (can.CanError, OSError) as fault:
            log.debug("not sent: %s", fault)
            return False
        return True

    def close(self) -> None:
        """Close the bus; never raises."""
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.shutdown()
            except (can.CanError, OSError) as fault:
                log.debug("closing the bus: %s", fault)

    def _wait(self, wait_s: float) -> None:
        if self._descriptor is None:
            time.sleep(min(wait_s, POLL_S))
            return
        try:
            ready = bool(select.select([self._descriptor], [], [], wait_s)[0])
        except (OSError, ValueError):
            ready = True
        # A descriptor that is always ready and never gives anything would take a whole core.
        if ready and self._quiet_calls >= QUIET_CALLS:
            time.sleep(min(wait_s, POLL_S))

    def _drain(self, messages: list[can.Message], said: list[tuple[str, str]]) -> bool:
        """Take what is there; return whether nothing is left."""
        assert self._bus is not None
        garbled = 0
        while len(messages) < MOST_AT_ONCE and garbled < MOST_GARBLED:
            try:
                message = self._bus.recv(0)
            except (can.CanError, OSError) as fault:
                self._lose(fault, said)
                return True
            except (ValueError, IndexError, struct.error):
                # python-can says so of a line that is no frame; the next call goes on behind it.
                self.garbled += 1
                garbled += 1
                continue
            if message is None:
                return True
            messages.append(message)
            self._heard = True
        return False

    def _lose(self, fault: Exception, said: list[tuple[str, str]]) -> None:
        self.close()
        # A bus that opens and goes again without a frame is tried, and told of, ever less often.
        self._pause_s = SHORTEST_PAUSE_S if self._heard else min(self._pause_s * 2, LONGEST_PAUSE_S)
        self._heard = False
        self._retry_at_s = time.monotonic() + self._pause_s
        self._lost_at_ns = self._axis.at(self._clocks())
        said.append(
            ("bus lost", f"The bus {self._settings.channel} went away: {fault}. Trying again.")
        )

    def _reopen(self, said: list[tuple[str, str]]) -> None:
        if time.monotonic() < self._retry_at_s:
            return
        try:
            self._bus = open_bus(self._settings, self._where)
        except InputError:
            self._pause_s = min(self._pause_s * 2, LONGEST_PAUSE_S)
            self._retry_at_s = time.monotonic() + self._pause_s
            return
        self._descriptor = _descriptor(self._bus)
        away_s = (self._axis.at(self._clocks()) - self._lost_at_ns) * 1e-9
        said.append(("bus back", f"The bus {self._settings.channel} is back after {away_s:.1f} s."))


def _descriptor(bus: can.BusABC) -> int | None:
    """Return the descriptor to wait on; None where the interface has none."""
    try:
        descriptor = bus.fileno()
    except (NotImplementedError, can.CanError):
        return None
    return descriptor if descriptor >= 0 else None


def _stamp_ns(stamp_s: float) -> int:
    """Return an adapter's stamp in nanoseconds; 0, which nobody believes, for nonsense."""
    return round(stamp_s * 1e9) if 0.0 <= stamp_s < 9e9 else 0


def _batch(messages: list[can.Message]) -> FrameBatch:
    return FrameBatch.of(
        [
            (
                0,
                message.arbitration_id,
                (EXTENDED if message.is_extended_id else 0)
                | (REMOTE if message.is_remote_frame else 0)
                | (ERROR if message.is_error_frame else 0)
                | (FD if message.is_fd else 0)
                | (0 if message.is_rx else SENT),
                bytes(message.data),
            )
            for message in messages
        ]
    )
