"""Requests to the one writer: a note, an acknowledgement, a shelving, other limits, a finding.

A page or a command puts a request file into `inbox/` (atomically; for a recording without a
recorder see `logger.store.repair.post_request`); the recorder takes it, gives it a sequence number
and makes it an event.

A request that was taken stays under another name until its event has reached the disk, so that a
crash in between loses no note: `pending_requests` returns to a later `seal` what may still have to
be done.
"""

import contextlib
import math
import os
import secrets
import time
from collections.abc import Container, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.errors import OutsideFault
from logger.outside_text import parse_json, read_regular
from logger.store.layout.events import Event
from logger.store.layout.files import INBOX_FOLDER, write_atomically
from logger.store.layout.older_events import HANDED_OVER_BEFORE
from logger.store.layout.request import LIMITS_SUBMITTED, MAX_LIMITS_TEXT, EventRequest, to_event

__all__ = [
    "LIMITS_SUBMITTED",
    "MAX_LIMITS_TEXT",
    "EventRequest",
    "InboxWatch",
    "PendingRequest",
    "claim_requests",
    "claimed_files",
    "discard_done",
    "drop_request",
    "pending_requests",
    "queued_files",
    "to_event",
]

_WAITING_SUFFIX: Final = ".json"
_CLAIMED_SUFFIX: Final = ".taken"
_CLOCK_SLACK_NS: Final = 1_000_000_000
"""How far a recording's own clock may lag behind the clock that timestamps files."""
_COARSE_NS: Final = 3_000_000_000
"""More than any file system rounds the time of a folder to."""
MAX_UNLISTED_S: Final = 1.0
"""How long a request waits at most where the time of the folder does not tell of it."""
_LONG_KINDS: Final = frozenset({"limits", "finding"})
MAX_REQUEST_BYTES: Final = 20_000
"""Most bytes of a request file without limits and without a finding."""
_MAX_ESCAPED_BYTES: Final = 2 * MAX_LIMITS_TEXT + MAX_REQUEST_BYTES
"""Most bytes of a request file with limits or a finding: JSON escapes take up to two bytes a
character there."""


def drop_request(recording: Path, request: EventRequest) -> None:
    """Put a request into the inbox of a recording.

    Raises
    ------
    OutsideFault
        The disk took no more; nothing was requested.
    """
    folder = recording / INBOX_FOLDER
    # Without what is not given: a recorder that does not know it takes all the others.
    body = request.model_dump_json(exclude_none=True).encode()
    name = f"{time.time_ns()}-{os.getpid()}-{secrets.token_hex(3)}.json"
    try:
        folder.mkdir(exist_ok=True)
        write_atomically(folder / name, lambda file: file.write(body))
    except OSError as fault:
        raise OutsideFault(
            f"{folder}: the {request.kind} cannot be written ({fault.strerror or fault})."
        ) from fault


class InboxWatch:
    """Tells whether there may be something new in an inbox: mostly one look at its folder.

    A file that comes or goes changes the folder's time. File systems keep that time coarsely, so a
    recent one says nothing; and for those that do not keep it there is a second of patience.
    """

    def __init__(self, recording: Path) -> None:
        self._folder = recording / INBOX_FOLDER
        self._seen_ns: int | None = None
        self._listed_s = -math.inf

    def may_hold_more(self, now_s: float) -> bool:
        """Return whether to list it; after that it is taken as listed. `now_s`: a steady clock."""
        try:
            changed_ns = self._folder.stat().st_mtime_ns
        except OSError:
            changed_ns = -1
        is_settled = abs(time.time_ns() - changed_ns) > _COARSE_NS
        if is_settled and changed_ns == self._seen_ns and now_s - self._listed_s < MAX_UNLISTED_S:
            return False
        self._seen_ns, self._listed_s = changed_ns, now_s
        return True


def claim_requests(recording: Path, *, in_work: Container[str] = ()) -> list[EventRequest]:
    """Return the waiting requests in order; an unreadable one is renamed to `.unreadable`.

    The files of requests that an earlier call returned are removed now: their events have been
    flushed by then. Not those named in `in_work`, which are still being carried out.
    """
    paths = _inbox_files(recording, _CLAIMED_SUFFIX, _WAITING_SUFFIX)
    discard_done(
        path for path in paths if path.suffix == _CLAIMED_SUFFIX and path.stem not in in_work
    )
    requests = []
    for path in (path for path in paths if path.suffix == _WAITING_SUFFIX):
        # No file here may stop the recorder: it is taken, renamed or left alone.
        with contextlib.suppress(OSError):
            request = _read_or_reject(path)
            if request is not None:
                path.rename(path.with_suffix(_CLAIMED_SUFFIX))
                requests.append(request)
    return requests


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingRequest:
    """A request in the inbox of a recording without a recorder."""

    path: Path
    request: EventRequest
    posted_ns: int

    def matches_event(self, event: Event) -> bool:
        """Return whether an event was made from this request."""
        if event.request == self.request.name:
            return True
        # Older recorders did not store the request's name: sender, time and content decide.
        if event.time_ns < self.posted_ns - _CLOCK_SLACK_NS or event.who != self.request.who:
            return False
        if self.request.kind == "limits":
            return event.request == HANDED_OVER_BEFORE
        expected = to_event(self.request, sequence=event.sequence, time_ns=event.time_ns)
        # By repr, because the duration of a note is NaN, which equals nothing.
        return not event.request and all(
            repr(getattr(expected, name)) == repr(getattr(event, name))
            for name in ("kind", "alert", "text", "duration_s")
        )


def pending_requests(recording: Path) -> list[PendingRequest]:
    """Return the requests in the inbox, taken or not, in order.

    An unreadable one is renamed to `.unreadable`. The caller holds the lock. An event may have been
    made of any of them before a crash.
    """
    pending = []
    for path in _inbox_files(recording, _WAITING_SUFFIX, _CLAIMED_SUFFIX):
        with contextlib.suppress(OSError):
            posted_ns = path.stat().st_mtime_ns
            request = _read_or_reject(path)
            if request is not None:
                pending.append(PendingRequest(path=path, request=request, posted_ns=posted_ns))
    return pending


def discard_done(paths: Iterable[Path]) -> None:
    """Remove requests whose events are on the disk."""
    for path in paths:
        with contextlib.suppress(OSError):
            path.unlink()


def queued_files(recording: Path) -> list[Path]:
    """Return the files of the waiting requests, in order."""
    return _inbox_files(recording, _WAITING_SUFFIX)


def claimed_files(recording: Path) -> list[Path]:
    """Return the files of requests that were taken and whose events may not be flushed yet."""
    return _inbox_files(recording, _CLAIMED_SUFFIX)


def _inbox_files(recording: Path, *suffixes: str) -> list[Path]:
    try:
        names = sorted((recording / INBOX_FOLDER).iterdir())
    except OSError:
        return []
    return [path for path in names if path.suffix in suffixes and not path.name.startswith(".")]


def _read_or_reject(path: Path) -> EventRequest | None:
    try:
        return _read_request_file(path)
    except (ValueError, OSError):
        path.rename(path.with_suffix(".unreadable"))
        return None


def _read_request_file(path: Path) -> EventRequest:
    content = read_regular(path, max_bytes=_MAX_ESCAPED_BYTES)
    request = EventRequest.model_validate(parse_json(content, path.name))
    if request.kind not in _LONG_KINDS and len(content) > MAX_REQUEST_BYTES:
        raise ValueError(path.name)
    return request.model_copy(update={"name": path.stem})
