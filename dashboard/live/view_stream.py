"""A view that any number of pages look at: each moment of it is drawn and encoded once.

Pages that asked for the same view are sent the same bytes, whichever moment they had before: what
leads from one moment to another is made when the first of them needs it, and kept with the later
one. A view that no page took the last moment of is not drawn on; one that nobody asked for in a
while is forgotten. Safe for several threads.
"""

import itertools
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from dashboard.live.json_patch import list_edits
from dashboard.live.messages import encode, marks_message, sheet_message, status_message
from dashboard.live.snapshot import Snapshot
from dashboard.live.status import live_status
from dashboard.live.view import LiveView, Picture
from dashboard.live.view_request import ViewRequest
from dashboard.live.wire_format import Update, pack_update
from logger.errors import DutytraceError
from replay.recording import Recording

__all__ = ["Moment", "ViewStream", "ViewStreams"]

WireMessage = str | bytes
STATUS_EVERY_NS: Final = 240_000_000
STATUS_AT_LATEST_NS: Final = 2 * STATUS_EVERY_NS
"""Then the status is sent even together with changed marks; before, one of both at a time."""
FORGOTTEN_S: Final = 30.0
"""A view that no page asked for so long is dropped."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Moment:
    """A view at one snapshot, and what was made of it for pages."""

    stream: "ViewStream"
    serial: int
    """Number of the update, which pages acknowledge; of any two moments the later has the larger.
    """
    snapshot: int
    """Serial of its snapshot."""
    picture: Picture
    status: Mapping[str, Any]
    messages: dict[int, list[WireMessage]] = field(default_factory=dict)
    """Serial of a moment before -> what leads from there to here; 0: everything."""


class ViewStream:
    """One view of one recording, for all pages that asked for it."""

    def __init__(
        self,
        request: ViewRequest,
        recording: Recording,
        numbers: "itertools.count[int]",
        *,
        writes: bool,
    ) -> None:
        self.request = request
        self.recording = recording
        self.asked_s = time.monotonic()
        """When a page asked for it last."""
        self.is_taken = False
        """Whether a page took the newest moment."""
        self.fault = ""
        """Why the newest snapshot cannot be drawn."""
        self._view = LiveView(request, recording)
        self._numbers = numbers
        self._writes = writes
        self._status: Mapping[str, Any] = {}
        self._status_ns = 0
        self._newest: Moment | None = None
        self._snapshot = 0
        self._lock = threading.Lock()

    def newest(self, snapshot: Snapshot) -> Moment | None:
        """Return the moment of a snapshot if it was drawn already, or one that is newer."""
        moment = self._newest
        return moment if moment is not None and self._snapshot >= snapshot.serial else None

    def is_drawn(self, snapshot: Snapshot) -> bool:
        """Return whether a snapshot was looked at, be it in vain."""
        return self._snapshot >= snapshot.serial

    def advance(self, snapshot: Snapshot) -> None:
        """Draw the moment of a snapshot of its recording, unless that was done."""
        if self.is_drawn(snapshot):
            return
        with self._lock:
            if self.is_drawn(snapshot):
                return
            try:
                self._draw(snapshot)
                self.fault = ""
            except (DutytraceError, OSError) as fault:
                self.fault = str(fault)
                self._newest = None
            self._snapshot = snapshot.serial

    def go_on(self, snapshot: Snapshot) -> None:
        """Draw the moment of a snapshot, and make what leads to it from the one before."""
        before = self._newest
        self.advance(snapshot)
        if self._newest is not None:
            self.messages(self._newest, before)

    def _draw(self, snapshot: Snapshot) -> None:
        before = self._newest
        picture = self._view.advance(snapshot)
        is_same_sheet = before is not None and picture.sheet_number == before.picture.sheet_number
        has_same_marks = before is not None and picture.shapes is before.picture.shapes
        due_ns = STATUS_EVERY_NS if has_same_marks else STATUS_AT_LATEST_NS
        if not is_same_sheet or snapshot.now_ns - self._status_ns >= due_ns:
            self._status = self._read_status(snapshot)
            self._status_ns = snapshot.now_ns
        self._newest = Moment(
            stream=self,
            serial=next(self._numbers),
            snapshot=snapshot.serial,
            picture=picture,
            status=self._status,
        )
        self.is_taken = False

    def _read_status(self, snapshot: Snapshot) -> Mapping[str, Any]:
        status = live_status(
            self.recording,
            latest=snapshot.latest,
            slow=snapshot.slow,
            now_ns=snapshot.present_ns,
            zone=self.request.zone,
            displays=self.request.displays,
            peaks=snapshot.peaks,
            missing=snapshot.missing,
            worst_first=snapshot.order.joints,
            pens=self._view.joint_pens,
            buses=snapshot.buses,
        )
        if not self._writes:
            status["alerts"] = [{**row, "actions": []} for row in status["alerts"]]
        return status

    def messages(self, moment: Moment, before: Moment | None) -> list[WireMessage]:
        """Return what a page needs for a moment, given the one that it has, None for none."""
        if before is not None and not _continues(moment, before):
            before = None
        key = 0 if before is None else before.serial
        made = moment.messages.get(key)
        if made is None:
            with self._lock:
                made = moment.messages.get(key)
                if made is None:
                    made = self._encode(moment, before)
                    moment.messages[key] = made
        return made

    def has_messages(self, moment: Moment, before: Moment | None) -> bool:
        """Return whether these messages were made already."""
        return (0 if before is None else before.serial) in moment.messages

    def _encode(self, moment: Moment, before: Moment | None) -> list[WireMessage]:
        picture, start_ns = moment.picture, self.recording.start_ns
        messages: list[WireMessage] = []
        count = len(picture.bins)
        if before is None:
            layout = picture.figure["layout"]
            meta = {**layout["meta"], "lane": picture.lane}
            figure = {
                **picture.figure,
                "layout": {**layout, "shapes": picture.shapes, "meta": meta},
            }
            path = self.recording.path.name
            messages.append(
                encode(sheet_message(figure, window_s=self.request.window_s, path=path))
            )
        else:
            count = (picture.cursor_ns - before.picture.cursor_ns) // picture.width_ns
            if picture.shapes is not before.picture.shapes:
                shapes = list_edits(before.picture.shapes, picture.shapes)
                lane = list_edits(before.picture.lane, picture.lane)
                if shapes or lane:
                    messages.append(encode(marks_message(shapes, lane)))
        first_ns = picture.cursor_ns - count * picture.width_ns
        update = Update(
            whole=before is None,
            serial=moment.serial,
            now_s=(picture.now_ns - start_ns) / 1e9,
            start_s=(first_ns - start_ns) / 1e9,
            width_s=picture.width_ns / 1e9,
            newest=picture.newest,
            bins=picture.bins[len(picture.bins) - count :],
        )
        messages.append(pack_update(update))
        known = {} if before is None else before.status
        if moment.status is not known:
            messages.append(encode(status_message(known, moment.status)))
        return messages


def _continues(moment: Moment, before: Moment) -> bool:
    """Return whether a page that has `before` lacks only what is kept for `moment`."""
    picture, known = moment.picture, before.picture
    if moment.stream is not before.stream or picture.sheet_number != known.sheet_number:
        return False
    return picture.cursor_ns - known.cursor_ns <= len(picture.bins) * picture.width_ns


class ViewStreams:
    """The views that pages look at, one for each that is asked for."""

    def __init__(self, *, writes: bool = True) -> None:
        """Begin without a view; without `writes` alerts have no actions, nor acknowledge."""
        self._writes = writes
        self._numbers = itertools.count(1)
        self._streams: list[ViewStream] = []
        self._lock = threading.Lock()

    def next_number(self) -> int:
        """Return the number of a message that pages acknowledge."""
        return next(self._numbers)

    def stream_of(self, request: ViewRequest, recording: Recording) -> ViewStream:
        """Return the stream of a view, a new one where nobody has asked for it yet."""
        with self._lock:
            for stream in self._streams:
                if stream.recording is recording and stream.request == request:
                    break
            else:
                stream = ViewStream(request, recording, self._numbers, writes=self._writes)
                self._streams.append(stream)
        stream.asked_s = time.monotonic()
        return stream

    def advance(self, snapshot: Snapshot) -> None:
        """Draw a snapshot for every view whose last moment some page took.

        Views of another recording are forgotten, all of them where there is none.
        """
        oldest_s = time.monotonic() - FORGOTTEN_S
        with self._lock:
            self._streams = [
                stream
                for stream in self._streams
                if stream.recording is snapshot.recording and stream.asked_s >= oldest_s
            ]
            streams = list(self._streams)
        if snapshot.fault:
            return
        for stream in streams:
            if stream.is_taken:
                stream.go_on(snapshot)
