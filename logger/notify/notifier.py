"""Tells all targets, each on a thread of its own: in order, again with growing pauses.

`tell` only writes a small file for each target and never waits for anybody. What could not be
delivered when the recorder ends waits for the next one with the same tell file.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from logger.errors import InputError
from logger.notify.message import content_of, wants
from logger.notify.outbox import Outbox
from logger.notify.settings import Target, TellSettings
from logger.notify.transports import deliver
from logger.store.layout.events import Event

__all__ = ["Teller"]

log = logging.getLogger(__name__)

FIRST_PAUSE_S: Final = 1.0
LONGEST_PAUSE_S: Final = 300.0
LAST_CHANCE_S: Final = 3.0
"""How long the end of a recording waits for what is just being delivered."""


@dataclass(slots=True)
class _Line:
    target: Target
    outbox: Outbox
    wake: threading.Event = field(default_factory=threading.Event)
    failing: bool = False


class Teller:
    """Tells somebody of a recording's events."""

    def __init__(
        self,
        settings: TellSettings,
        *,
        waiting: Path,
        recording: str,
        say: Callable[[str], None],
        first_pause_s: float = FIRST_PAUSE_S,
    ) -> None:
        """Begin to deliver what waits in a folder.

        Parameters
        ----------
        recording
            Its name, for the messages.
        say
            Told once in words when a target begins to fail, and when it takes messages again;
            called on the target's thread.

        Raises
        ------
        InputError
            The folder cannot be made.
        """
        self._recording = recording
        self._say = say
        self._first_pause_s = first_pause_s
        self._stop = threading.Event()
        self._lines: list[_Line] = []
        for target in settings.targets:
            try:
                outbox = Outbox(waiting / target.name)
            except OSError as fault:
                raise InputError(
                    f"{waiting}: messages that wait cannot be kept there ({fault.strerror})."
                ) from None
            self._lines.append(_Line(target, outbox))
        self._threads = [
            threading.Thread(
                target=self._deliver, args=(line,), name=f"tell-{line.target.name}", daemon=True
            )
            for line in self._lines
        ]
        for thread in self._threads:
            thread.start()

    def tell(self, event: Event) -> None:
        """Put an event on its way to all who want it; never waits, never raises."""
        content: dict[str, Any] | None = None
        for line in self._lines:
            if not wants(line.target, event):
                continue
            content = content or content_of(event, recording=self._recording)
            try:
                gone = line.outbox.put(content)
            except OSError as fault:
                log.warning("%s is not told: %s", line.target.name, fault)
                continue
            if gone:
                self._say(f"{line.target.name}: {gone} messages that waited too long are let go.")
            line.wake.set()

    def close(self) -> int:
        """Stop; return how many messages still wait for the next recorder."""
        self._stop.set()
        until_s = time.monotonic() + LAST_CHANCE_S
        for line in self._lines:
            line.wake.set()
        for thread in self._threads:
            thread.join(max(until_s - time.monotonic(), 0.0))
        return sum(len(line.outbox) for line in self._lines)

    def _deliver(self, line: _Line) -> None:
        pause_s = self._first_pause_s
        while True:
            line.wake.clear()
            waiting = line.outbox.first()
            if waiting is None:
                if self._stop.is_set():
                    return
                line.wake.wait()
                continue
            name, content = waiting
            why = deliver(line.target, content)
            if why is None:
                line.outbox.done(name)
                pause_s = self._first_pause_s
                if line.failing:
                    line.failing = False
                    self._say(f"{line.target.name} is told again.")
                continue
            if not line.failing:
                line.failing = True
                self._say(f"{line.target.name} cannot be told ({why}). Trying again.")
            if self._stop.wait(pause_s):
                return
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
