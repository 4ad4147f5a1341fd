"""Sends messages to all targets, each on a thread of its own: in order, with retries.

`notify_targets` only writes a small file for each target and waits for no target. Messages that
could not be delivered when the recorder ends wait for the next one with the same tell file.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from logger.errors import InputError
from logger.event_kind import EventKind
from logger.limits.kind import LimitKind
from logger.notify.delivery_report import DeliveryReport
from logger.notify.message import MessageSource, matches_target, message_payload
from logger.notify.outbox import MAX_MESSAGES, Outbox
from logger.notify.settings import NotifySettings, NotifyTarget
from logger.notify.transports import deliver_message
from logger.store.layout.events import Event

__all__ = ["Notifier"]

log = logging.getLogger(__name__)

FIRST_RETRY_PAUSE_S: Final = 1.0
MAX_RETRY_PAUSE_S: Final = 300.0
FINAL_DELIVERY_S: Final = 3.0
"""How long the end of a recording waits for a delivery that is under way."""


@dataclass(slots=True)
class _TargetQueue:
    target: NotifyTarget
    outbox: Outbox
    wake: threading.Event = field(default_factory=threading.Event)
    fault: str = ""
    """Why the oldest message could not be delivered the last time; "" where none failed."""


class Notifier:
    """Sends messages about the events of one recording."""

    def __init__(
        self,
        settings: NotifySettings,
        *,
        waiting: Path,
        source: MessageSource,
        report: Callable[[DeliveryReport], None],
        first_pause_s: float = FIRST_RETRY_PAUSE_S,
    ) -> None:
        """Start the threads, which deliver what already waits.

        Parameters
        ----------
        waiting
            Folder with an outbox for each target.
        source
            What the messages are about.
        report
            Called when a target was told that an alert was raised, when it cannot be told yet, when
            it takes messages again, and when messages to it are discarded; from any thread.

        Raises
        ------
        InputError
            The folder cannot be made.
        """
        self._source = source
        self._report = report
        self._first_pause_s = first_pause_s
        self._stop = threading.Event()
        self._queueing = threading.Lock()
        self._queues: list[_TargetQueue] = []
        for target in settings.all_targets:
            try:
                outbox = Outbox(waiting / target.name)
            except OSError as fault:
                raise InputError(
                    f"{waiting}: messages that wait cannot be kept there ({fault.strerror})."
                ) from None
            self._queues.append(_TargetQueue(target, outbox))
        self._threads = [
            threading.Thread(
                target=self._deliver_queue,
                args=(target_queue,),
                name=f"tell-{target_queue.target.name}",
                daemon=True,
            )
            for target_queue in self._queues
        ]
        for thread in self._threads:
            thread.start()

    def notify_targets(self, event: Event, changed: tuple[str, ...] | None = None) -> None:
        """Queue the message about an event for each target that wants it; never waits or raises.

        `changed`: figures that have changed by the day that the event is about; None: not known.
        May be called from several threads.
        """
        with self._queueing:
            self._queue_message(event, changed)

    def _queue_message(self, event: Event, changed: tuple[str, ...] | None) -> None:
        content: dict[str, Any] | None = None
        for target_queue in self._queues:
            if not matches_target(target_queue.target, event):
                continue
            content = content or message_payload(event, self._source, changed=changed)
            try:
                dropped = target_queue.outbox.add_message(content)
            except OSError as fault:
                log.warning("no message to %s: %s", target_queue.target.name, fault)
                continue
            if dropped:
                self._report_trouble(
                    target_queue,
                    f"lost {dropped} messages, because more than {MAX_MESSAGES} waited.",
                )
            if target_queue.fault and event.kind == EventKind.RAISED:
                self._report_waiting(target_queue, event.alert)
            target_queue.wake.set()

    def replace_limits(self, limit_named: Callable[[str], LimitKind | None]) -> None:
        """Describe limits from here on by those that were put into force."""
        self._source = replace(self._source, limit_named=limit_named)

    def close(self) -> int:
        """Stop; return how many messages still wait for the next recorder."""
        self._stop.set()
        until_s = time.monotonic() + FINAL_DELIVERY_S
        for target_queue in self._queues:
            target_queue.wake.set()
        for thread in self._threads:
            thread.join(max(until_s - time.monotonic(), 0.0))
        return sum(len(target_queue.outbox) for target_queue in self._queues)

    def _deliver_queue(self, target_queue: _TargetQueue) -> None:
        pause_s = self._first_pause_s
        while True:
            target_queue.wake.clear()
            message = target_queue.outbox.oldest_message()
            if message is None:
                if self._stop.is_set():
                    return
                target_queue.wake.wait()
                continue
            name, content = message
            error_text = deliver_message(target_queue.target, content)
            alert = self._raised_alert(content)
            if error_text is None:
                target_queue.outbox.remove_message(name)
                pause_s = self._first_pause_s
                if target_queue.fault:
                    target_queue.fault = ""
                    self._report_trouble(target_queue, "receives messages again.")
                if alert:
                    self._report_delivered(target_queue, alert)
                continue
            begins_to_fail = not target_queue.fault
            target_queue.fault = error_text
            if begins_to_fail:
                self._report_failing(target_queue)
            if self._stop.wait(pause_s):
                return
            pause_s = min(2 * pause_s, MAX_RETRY_PAUSE_S)

    def _raised_alert(self, content: dict[str, Any]) -> int:
        """Return the alert of this recording that a message says is raised; 0: it says none."""
        is_raised = content.get("kind") == EventKind.RAISED
        is_own = content.get("recording") == self._source.recording
        return int(content.get("alert", 0)) if is_raised and is_own else 0

    def _report_delivered(self, target_queue: _TargetQueue, alert: int) -> None:
        name = target_queue.target.name
        self._report(
            DeliveryReport(
                kind=EventKind.NOTIFIED, target=name, alert=alert, text=f"{name} was told."
            )
        )

    def _report_failing(self, target_queue: _TargetQueue) -> None:
        """Report that a target cannot be told, of each alert whose message waits for it."""
        waiting = {self._raised_alert(one) for one in target_queue.outbox.waiting_messages()}
        for alert in sorted(waiting - {0}) or [0]:
            self._report_waiting(target_queue, alert)

    def _report_waiting(self, target_queue: _TargetQueue, alert: int) -> None:
        text = f"cannot be reached ({target_queue.fault}). Trying again."
        self._report_trouble(target_queue, text, alert=alert)

    def _report_trouble(self, target_queue: _TargetQueue, text: str, *, alert: int = 0) -> None:
        name = target_queue.target.name
        self._report(
            DeliveryReport(
                kind=EventKind.NOTIFYING, target=name, alert=alert, text=f"{name} {text}"
            )
        )
