"""The text messages to a Live page, one constructor each; `wire_format` has the binary one.

Every message has a `kind`; `wire_messages` describes its fields.
"""

import json
from collections.abc import Mapping
from typing import Any

from dashboard.live.json_patch import diff_values
from dashboard.live.wire_messages import (
    MarksMessage,
    NothingMessage,
    SheetMessage,
    StatusMessage,
)

__all__ = [
    "Message",
    "encode",
    "marks_message",
    "nothing_message",
    "sheet_message",
    "status_message",
]

Message = NothingMessage | SheetMessage | MarksMessage | StatusMessage


def nothing_message(*, last: str, fault: str, serial: int) -> NothingMessage:
    """Return the message that nothing is being recorded, with the recording that ended last.

    `fault`: why nothing can be read; empty if it can.
    """
    return {"kind": "nothing", "last": last, "fault": fault, "ack": serial}


def sheet_message(figure: dict[str, Any], *, window_s: float, path: str) -> SheetMessage:
    """Return a figure without data: the next binary update brings its whole window."""
    return {"kind": "sheet", "window_s": window_s, "path": path, "figure": figure}


def marks_message(shapes: list[Any], lane: list[Any]) -> MarksMessage:
    """Return the changes of alerts, gaps and notes in the sheet, as edits of its two lists."""
    return {"kind": "marks", "shapes": shapes, "lane": lane}


def status_message(before: Mapping[str, Any], now: Mapping[str, Any]) -> StatusMessage:
    """Return the changes of the status panel; all of it the first time."""
    return {
        "kind": "status",
        "whole": not before,
        "changes": diff_values(dict(before), dict(now)),
    }


def encode(message: Message) -> str:
    """Return a message as JSON."""
    return json.dumps(message, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
