"""The text messages that a Live page is sent, one constructor each; `wire` has the binary one.

Every message names its `kind`; `wire_messages` says what it carries, field by field.
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


def nothing_message(*, last: str, serial: int) -> NothingMessage:
    """Return that nothing is being recorded, and which recording ended last."""
    return {"kind": "nothing", "last": last, "ack": serial}


def sheet_message(figure: dict[str, Any], *, window_s: float, path: str) -> SheetMessage:
    """Return a figure without data: the next binary update brings its whole window."""
    return {"kind": "sheet", "window_s": window_s, "path": path, "figure": figure}


def marks_message(shapes: list[Any], lane: list[Any]) -> MarksMessage:
    """Return what alerts, gaps and notes change in the sheet, as edits of its two lists."""
    return {"kind": "marks", "shapes": shapes, "lane": lane}


def status_message(before: Mapping[str, Any], now: Mapping[str, Any]) -> StatusMessage:
    """Return the words beside the figure: only what changed, or all of them the first time."""
    return {
        "kind": "status",
        "whole": not before,
        "changes": diff_values(dict(before), dict(now)),
    }


def encode(message: Message) -> str:
    """Return a message as it travels."""
    return json.dumps(message, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
