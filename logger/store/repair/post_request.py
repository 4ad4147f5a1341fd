"""Requests for an event in a recording, with or without a recorder.

A recorder finds the request in its inbox; without one, the event is made here, under the
recording's lock. Submitted limits matter only to a recorder, so `submit_limits` refuses them
without one.
"""

import contextlib
from pathlib import Path
from typing import Literal

from logger.errors import InputError
from logger.limits.limit import check_for_bench, parse_limits
from logger.store.layout.lock import WriteLock, writer_pid
from logger.store.layout.manifest import read_manifest
from logger.store.layout.request import EventRequest, new_request
from logger.store.repair.recovery import (
    append_requests,
    drain_inbox,
    keep_findings,
    seal,
    seal_locked,
)
from logger.store.writing.inbox import drop_request

__all__ = ["append_event", "post_request", "submit_limits", "submit_request"]


def submit_request(
    recording: Path,
    *,
    kind: Literal["note", "acknowledge", "shelve", "unshelve"],
    text: str = "",
    alert: int = 0,
    for_s: float = 0.0,
    who: str = "",
    at_ns: int | None = None,
) -> None:
    """Put a request into the inbox of the recorder; without a recorder, append its event.

    `at_ns`: of a note when that was which it tells of; None: now.

    Raises
    ------
    InputError
        The request is not complete (a note without text, a shelving without an alert or a time).
    OutsideFault
        The disk took no more; nothing was requested.
    """
    request = new_request(kind=kind, text=text, alert=alert, for_s=for_s, who=who, at_ns=at_ns)
    if kind == "note" and not request.text:
        raise InputError("note: found no text, expected what you did or saw.")
    if kind != "note" and request.alert == 0:
        raise InputError(f"{kind}: found no alert number, expected the number of an alert.")
    if kind == "shelve" and request.for_s <= 0:
        raise InputError("shelve: found no time, expected how long, such as 30min.")
    post_request(recording, request)


def post_request(recording: Path, request: EventRequest) -> None:
    """Hand a request to the recorder of a recording; without one, carry it out here.

    Raises
    ------
    InputError
        It is no recording.
    OutsideFault
        The disk took no more; nothing was requested.
    """
    if writer_pid(recording) is None:
        append_event(recording, request)
        return
    _write_request(recording, request)


def submit_limits(recording: Path, *, text: str, who: str = "") -> None:
    """Request that the recorder of a recording puts other limits into force.

    `text`: a whole limits file; checked against the recording's bench before it is submitted.

    Raises
    ------
    InputError
        It is no recording, the text is no limits file or does not fit its bench, or the recording
        has no recorder: limits do not matter to one that has ended.
    OutsideFault
        The disk took no more; nothing was requested.
    """
    bench = read_manifest(recording).read_bench(str(recording))
    request = new_request(kind="limits", text=text, who=who)
    check_for_bench(parse_limits(text, "limits"), bench, "limits")
    if writer_pid(recording) is None:
        raise InputError(_has_no_writer(recording))
    _write_request(recording, request)
    if writer_pid(recording) is None and read_manifest(recording).limits_in_force != text:
        raise InputError(_has_no_writer(recording))


def _has_no_writer(recording: Path) -> str:
    return (
        f"{recording}: no recorder writes this recording, so the limits were not handed over; "
        "expected a recorder that runs. `dutytrace record --continue` takes them with --limits."
    )


def _write_request(recording: Path, request: EventRequest) -> None:
    drop_request(recording, request)
    if writer_pid(recording) is None:
        # The recorder ended between the check and the request.
        with contextlib.suppress(InputError):
            seal(recording, every_part=False)


def append_event(path: Path, request: EventRequest) -> None:
    """Make an event of a request in a recording without a recorder.

    Raises
    ------
    InputError
        It is no recording, or a logger is writing it.
    OutsideFault
        The disk took no more.
    """
    with WriteLock(path):
        seal_locked(path)
        keep_findings(path, [request])
        append_requests(path, [request])
    drain_inbox(path)
