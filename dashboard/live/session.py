"""One open Live page: what it requested, what it has drawn, what it is sent next.

At most two updates are unacknowledged; what is skipped meanwhile is in the next one. Pages of one
view share its stream (`ViewStreams`); what is made here for one page is nothing but a choice.
Independent of the websocket.
"""

from typing import Any, Final

from dashboard.live.messages import encode, nothing_message
from dashboard.live.snapshot import Snapshot
from dashboard.live.view_request import ViewRequest, view_request
from dashboard.live.view_stream import Moment, ViewStreams

__all__ = ["LiveSession"]

MAX_UNACKNOWLEDGED: Final = 2


class LiveSession:
    """The protocol with one page.

    `next_messages` is called with each snapshot, `on_message` with each message from the page; they
    may run on different threads.
    """

    def __init__(self, streams: ViewStreams | None = None) -> None:
        """Begin.

        `streams`: the views, shared by all pages; None: those of this page alone.
        """
        self.request: ViewRequest | None = None
        self._streams = ViewStreams() if streams is None else streams
        self._shown_request: ViewRequest | None = None
        """The request whose view the page has."""
        self._shown: Moment | None = None
        """What the page has, or will have once it drew what is on its way."""
        self._empty_for: tuple[ViewRequest, str] | None = None
        """The request that was last answered by "nothing is recorded", and the fault with it."""
        self._unacknowledged: tuple[int, ...] = ()
        self._snapshot = -1

    def on_message(self, message: dict[str, Any]) -> None:
        """Store a view request or an acknowledgement of the page."""
        if message.get("kind") == "look":
            self.request = view_request(message)
        elif isinstance(message.get("ack"), int):
            drawn = message["ack"]
            self._unacknowledged = tuple(n for n in self._unacknowledged if n > drawn)

    def is_prepared(self, snapshot: Snapshot) -> bool:
        """Return whether `next_messages` has nothing to read or make: it may run in a loop."""
        request = self.request
        if self._has_nothing_to_send(request, snapshot) or request is None:
            return True
        if snapshot.recording is None or snapshot.fault:
            return False
        stream = self._streams.stream_of(request, snapshot.recording)
        moment = stream.newest(snapshot)
        return moment is not None and stream.has_messages(moment, self._known(request))

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
        if self._has_nothing_to_send(request, snapshot) or request is None:
            return []
        self._snapshot = snapshot.serial
        if snapshot.recording is None or snapshot.fault:
            return self._nothing(request, last=last, fault=snapshot.fault)
        stream = self._streams.stream_of(request, snapshot.recording)
        stream.advance(snapshot)
        moment = stream.newest(snapshot)
        if moment is None:
            # A page that is sent nothing would take the server for gone.
            return self._nothing(request, last=last, fault=stream.fault)
        messages = stream.messages(moment, self._known(request))
        stream.is_taken = True
        self._shown, self._shown_request, self._empty_for = moment, request, None
        self._unacknowledged = (*self._unacknowledged, moment.serial)
        return messages

    def _has_nothing_to_send(self, request: ViewRequest | None, snapshot: Snapshot) -> bool:
        if request is None or snapshot.serial in {0, self._snapshot}:
            return True
        return len(self._unacknowledged) >= MAX_UNACKNOWLEDGED

    def _known(self, request: ViewRequest) -> Moment | None:
        """Return what the page has of the view that it requests; None after each new request."""
        return self._shown if self._shown_request is request else None

    def _nothing(self, request: ViewRequest, *, last: str, fault: str) -> list[str | bytes]:
        """Return the message that there is nothing to show, once for each request and fault."""
        self._shown = None
        if self._empty_for == (request, fault):
            return []
        self._empty_for = request, fault
        serial = self._streams.next_number()
        self._unacknowledged = (*self._unacknowledged, serial)
        return [encode(nothing_message(last=last, fault=fault, serial=serial))]
