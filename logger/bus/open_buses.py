"""The buses of a recording: opened, and only listened to for a second before the first request.

Another controller may ask the same joints: two of them collide while a joint moves. One that asks
once a second is heard in a second. It passes on a thread of its own, so that what else a start
takes passes meanwhile; whoever needs the buses waits for the rest of it.
"""

import threading
import time
from typing import Final

from logger.bus.clock import ClockSample
from logger.bus.poller import LISTEN_BEFORE_POLL_S, Poller
from logger.bus.source import Source, open_sources
from logger.bus.stop_sender import check_can_stop
from logger.errors import InputError
from logger.joint.bench.bench import Bench

__all__ = ["OpenBuses"]

_LOOK_S: Final = 0.05
"""How long one look at all quiet buses takes."""
_STUCK_S: Final = 3.0
"""A bus whose driver holds the thread for so long is not waited for."""


class OpenBuses:
    """The buses of a bench, each with its requests, until somebody takes them."""

    def __init__(
        self, bench: Bench, *, anchor: ClockSample, where: str, send_stop: bool = False
    ) -> None:
        """Open them and, where anything may be sent, begin to listen.

        Parameters
        ----------
        anchor
            Of the recording's time axis.
        where
            The bench file's name, for messages.
        send_stop
            A stop frame may have to be sent.

        Raises
        ------
        InputError
            A bus cannot be opened, or an adapter could send no stop frame; none stays open.
        """
        if send_stop:
            check_can_stop(bench, where)
        self.anchor = anchor
        self.sources = open_sources(bench.buses, anchor, where=where)
        self._is_wanted = threading.Event()
        self._is_taken = self._is_closed = False
        self._fault: BaseException | None = None
        self._thread: threading.Thread | None = None
        try:
            self.pollers = [
                Poller(bench, now_s=time.monotonic(), bus=source.bus_index, send_stop=send_stop)
                for source in self.sources
            ]
            for source, poller in zip(self.sources, self.pollers, strict=True):
                _check_can_send(source, poller)
            if any(self.pollers):
                self._thread = threading.Thread(target=self._listen, name="listen", daemon=True)
                self._thread.start()
        except BaseException:
            self.close()
            raise

    def take(self) -> tuple[list[Source], list[Poller]]:
        """Return the buses and their requests, listened to; from here on they are the caller's.

        Raises
        ------
        InputError
            Another node already sends an identifier of this bench's requests or stop frames; all
            buses are closed.
        """
        self._is_wanted.set()
        if self._thread is not None:
            self._thread.join()
        if self._fault is not None:
            self.close()
            raise self._fault
        self._is_taken = True
        return self.sources, self.pollers

    def close(self) -> None:
        """Close all buses, unless they were taken."""
        if self._is_taken:
            return
        self._is_closed = True
        if self._thread is not None:
            self._thread.join(_STUCK_S)
        for source in self.sources:
            source.close()

    def _listen(self) -> None:
        try:
            self._listen_until_taken()
        except BaseException as fault:  # noqa: BLE001 - `take` raises it again
            self._fault = fault

    def _listen_until_taken(self) -> None:
        """Listen for a second, and on until the buses are wanted."""
        until_s = time.monotonic() + LISTEN_BEFORE_POLL_S
        while not self._is_closed and not (
            self._is_wanted.is_set() and time.monotonic() >= until_s
        ):
            for source, poller in zip(self.sources, self.pollers, strict=True):
                frames = source.receive(_LOOK_S / len(self.sources)).frames
                if refused := poller.check_received(frames, now_s=time.monotonic()):
                    raise InputError(refused)


def _check_can_send(source: Source, poller: Poller) -> None:
    if poller.stop_sender and source.listens_only:
        raise InputError(
            f"The adapter of the bus {source.bus_index + 1} only listens: --send-stop-on-trip "
            "cannot send a stop frame there. Set it to take part in the bus, or omit the option."
        )
