"""One open Live page: what it requested, what it has drawn, what it is sent next.

At most two updates are unacknowledged; what is skipped meanwhile is in the next one (`LiveView`).
Independent of the websocket.
"""

from collections.abc import Mapping
from typing import Any, Final

from dashboard.live.messages import encode, nothing_message, status_message
from dashboard.live.snapshot import Snapshot
from dashboard.live.status import live_status
from dashboard.live.view import LiveView, ViewRequest, view_request
from dashboard.live.wire_format import pack_update
from logger.errors import DutytraceError
from replay.recording import Recording

__all__ = ["LiveSession"]

MAX_UNACKNOWLEDGED: Final = 2
STATUS_EVERY_NS: Final = 240_000_000
STATUS_AT_LATEST_NS: Final = 2 * STATUS_EVERY_NS
"""Then the status is sent even together with changed marks; before, one of both at a time."""


class LiveSession:
    """The protocol with one page.

    `next_messages` is called with each snapshot, `on_message` with each message from the page; they
    may run on different threads.
    """

    def __init__(self, *, writes: bool = True) -> None:
        """Begin; without `writes` alerts have no actions, neither acknowledge nor shelve."""
        self.request: ViewRequest | None = None
        self._writes = writes
        self._view: LiveView | None = None
        self._empty_for: tuple[ViewRequest, str] | None = None
        """The request that was last answered by "nothing is recorded", and the fault with it."""
        self._serial = 0
        self._acknowledged = 0
        self._snapshot = -1
        self._status: Mapping[str, Any] = {}
        self._status_ns = 0

    def on_message(self, message: dict[str, Any]) -> None:
        """Store a view request or an acknowledgement of the page."""
        if message.get("kind") == "look":
            self.request = view_request(message)
        elif isinstance(message.get("ack"), int):
            serial = min(int(message["ack"]), self._serial)
            self._acknowledged = max(self._acknowledged, serial)

    def next_messages(self, snapshot: Snapshot, *, last: str = "") -> list[str | bytes]:
        """Return what to send now.

        Nothing while the page has requested no view, or has two updates to acknowledge.

        Parameters
        ----------
        snapshot
            The newest one; with serial 0 the follower has not read anything yet.
        last
            Name of the recording that ended last, sent if none is being written.
        """
        request = self.request
        if request is None or snapshot.serial in {0, self._snapshot}:
            return []
        if self._serial - self._acknowledged >= MAX_UNACKNOWLEDGED:
            return []
        self._snapshot = snapshot.serial
        if snapshot.recording is None or snapshot.fault:
            return self._nothing(request, last=last, fault=snapshot.fault)
        try:
            return self._advance(request, snapshot.recording, snapshot)
        except (DutytraceError, OSError) as fault:
            # A page that is sent nothing would take the server for gone.
            return self._nothing(request, last=last, fault=str(fault))

    def _nothing(self, request: ViewRequest, *, last: str, fault: str) -> list[str | bytes]:
        """Return the message that there is nothing to show, once for each request and fault."""
        self._view = None
        if self._empty_for == (request, fault):
            return []
        self._empty_for = request, fault
        message = nothing_message(last=last, fault=fault, serial=self._next_serial())
        return [encode(message)]

    def _advance(
        self, request: ViewRequest, recording: Recording, snapshot: Snapshot
    ) -> list[str | bytes]:
        view = self._view_of(request, recording)
        update, message = view.advance(snapshot, self._next_serial())
        self._empty_for = None
        messages: list[str | bytes] = [] if message is None else [encode(message)]
        messages.append(pack_update(update))
        if update.whole:
            self._status = {}
        due_ns = STATUS_EVERY_NS if message is None else STATUS_AT_LATEST_NS
        if update.whole or snapshot.now_ns - self._status_ns >= due_ns:
            self._status_ns = snapshot.now_ns
            messages.append(self._next_status(view, snapshot))
        return messages

    def _view_of(self, request: ViewRequest, recording: Recording) -> LiveView:
        """Return the present view, a new one for another request or recording."""
        view = self._view
        if view is None or view.request is not request or view.recording is not recording:
            self._view = view = LiveView(request, recording)
        return view

    def _next_serial(self) -> int:
        self._serial += 1
        return self._serial

    def _next_status(self, view: LiveView, snapshot: Snapshot) -> str:
        status = live_status(
            view.recording,
            latest=snapshot.latest,
            slow=snapshot.slow,
            now_ns=snapshot.present_ns,
            zone=view.request.zone,
            displays=view.request.displays,
            peaks=snapshot.peaks,
            missing=snapshot.missing,
        )
        if not self._writes:
            status["alerts"] = [{**row, "actions": []} for row in status["alerts"]]
        message = encode(status_message(self._status, status))
        self._status = status
        return message
