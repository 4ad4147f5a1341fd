"""The files that were attached to a recording, as Replay lists them at their times. Pure."""

from typing import Any, Final
from urllib.parse import quote

from dashboard.text.format import format_elapsed
from logger.store.layout.attachment import Attachment
from logger.store.reading.attachments import AttachmentState, StoredAttachment, read_attachments
from replay.recording import Recording

__all__ = ["attachment_rows"]

_MOST_ROWS: Final = 500
_STATE_WORDS: Final = {
    AttachmentState.GONE: "gone from the disk",
    AttachmentState.CHANGED: "changed since it was attached",
}


def attachment_rows(recording: Recording) -> list[dict[str, Any]]:
    """Return a row for each file, in order of the times that they show.

    `at_s` is in s since the start; null for a file whose time lies outside of the recording.
    """
    return [_row(recording, one) for one in read_attachments(recording.path)[:_MOST_ROWS]]


def _row(recording: Recording, stored: StoredAttachment) -> dict[str, Any]:
    one = stored.attachment
    is_within = recording.start_ns <= one.time_ns <= recording.end_ns
    at_s = (one.time_ns - recording.start_ns) / 1e9 if is_within else None
    return {
        "name": one.name,
        "at_s": at_s,
        "at": "outside of this recording" if at_s is None else format_elapsed(at_s),
        "size": _size_text(one),
        "who": one.who,
        # The route adds what keeps a browser from running it.
        "address": f"/api/recordings/{quote(recording.path.name, safe='')}/attachments/{one.id}"
        if stored.state is AttachmentState.THERE
        else "",
        "state": _STATE_WORDS.get(stored.state, ""),
    }


def _size_text(one: Attachment) -> str:
    if one.size < 1_000_000:
        return f"{max(one.size / 1e3, 0.1):.3g} kB"
    return f"{one.size / 1e6:.3g} MB"
