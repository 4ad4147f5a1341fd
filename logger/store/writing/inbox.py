"""Requests to the one writer: a note, an acknowledgement, a shelving, other limits.

A page or a command drops a request file into `inbox/` (written aside, renamed; `post_request` says
what when no logger runs); the logger takes it, gives it a sequence number and makes it an event.

A request that was taken stays under another name until its event has reached the disk, so that a
crash in between loses no note: `pending_requests` tells who seals afterwards what may still have
to be done.
"""

import contextlib
import json
import os
import secrets
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.errors import OutsideFault
from logger.store.layout.events import Event
from logger.store.layout.files import INBOX_FOLDER, write_atomically
from logger.store.layout.older_events import HANDED_OVER_BEFORE
from logger.store.layout.request import LIMITS_SUBMITTED, MAX_LIMITS_TEXT, EventRequest, to_event

__all__ = [
    "LIMITS_SUBMITTED",
    "MAX_LIMITS_TEXT",
    "EventRequest",
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
"""A recording's own clock may lag so far behind the one that stamps a file."""
MAX_REQUEST_BYTES: Final = 20_000
"""Bytes of a request file beyond which it is none."""
_MAX_ESCAPED_BYTES: Final = 2 * MAX_LIMITS_TEXT + MAX_REQUEST_BYTES
"""The same as it lies in the inbox: of what a limits file can hold, an escape takes two bytes."""


def drop_request(recording: Path, request: EventRequest) -> None:
    """Lay a request into the inbox of a recording.

    Raises
    ------
    OutsideFault
        The disk took no more; nothing was asked.
    """
    folder = recording / INBOX_FOLDER
    body = request.model_dump_json().encode()
    name = f"{time.time_ns()}-{os.getpid()}-{secrets.token_hex(3)}.json"
    try:
        folder.mkdir(exist_ok=True)
        write_atomically(folder / name, lambda file: file.write(body))
    except OSError as fault:
        raise OutsideFault(
            f"{folder}: the {request.kind} cannot be written ({fault.strerror or fault})."
        ) from fault


def claim_requests(recording: Path) -> list[EventRequest]:
    """Return the waiting requests in order; an unreadable one is set aside.

    What an earlier call returned goes now: by then its event has been flushed.
    """
    discard_done(_inbox_files(recording, _CLAIMED_SUFFIX))
    requests = []
    for path in queued_files(recording):
        # Whatever lies here, the recorder goes on: it is taken, set aside or left alone.
        with contextlib.suppress(OSError):
            request = _read_or_reject(path)
            if request is not None:
                path.rename(path.with_suffix(_CLAIMED_SUFFIX))
                requests.append(request)
    return requests


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingRequest:
    """A request that lies in the inbox of a recording that nobody writes."""

    path: Path
    request: EventRequest
    posted_ns: int

    def matches_event(self, event: Event) -> bool:
        """Return whether that event is what the request became."""
        if event.request == self.request.name:
            return True
        # Recorders of before said of limits that they were handed over, and of no event by which
        # request it was made.
        if event.time_ns < self.posted_ns - _CLOCK_SLACK_NS or event.who != self.request.who:
            return False
        if self.request.kind == "limits":
            return event.request == HANDED_OVER_BEFORE
        expected = to_event(self.request, sequence=event.sequence, time_ns=event.time_ns)
        # repr, for a note's duration is NaN and equals nothing.
        return not event.request and all(
            repr(getattr(expected, name)) == repr(getattr(event, name))
            for name in ("kind", "alert", "text", "duration_s")
        )


def pending_requests(recording: Path) -> list[PendingRequest]:
    """Return the requests that lie there, taken or not, in order; an unreadable one is set aside.

    For whoever holds the lock: an event may have been made of any of them before a crash.
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
    """Return the files of requests that were taken and not yet settled."""
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
    except (ValueError, OSError, RecursionError):
        path.rename(path.with_suffix(".unreadable"))
        return None


def _read_request_file(path: Path) -> EventRequest:
    if not path.is_file() or path.stat().st_size > _MAX_ESCAPED_BYTES:
        raise ValueError(path.name)
    request = EventRequest.model_validate(json.loads(path.read_text(encoding="utf-8")))
    if request.kind != "limits" and path.stat().st_size > MAX_REQUEST_BYTES:
        raise ValueError(path.name)
    return request.model_copy(update={"name": path.stem})
