"""The message about an event: a sentence for people, JSON for programs. Pure."""

import json
import math
from typing import Any

from logger.event_kind import EventKind
from logger.notify.settings import NotifyTarget
from logger.store.layout.events import Event, headline
from logger.store.layout.manifest import iso_utc

__all__ = ["matches_target", "message_json", "message_payload", "message_text"]

_SEVERITY_RANK = {"": 0, "warning": 1, "trip": 2}


def matches_target(target: NotifyTarget, event: Event) -> bool:
    """Return whether a target wants a message about an event: by its kind and severity."""
    if event.kind not in target.of:
        return False
    return not event.alert or _SEVERITY_RANK[event.severity] >= _SEVERITY_RANK[target.least]


def message_payload(event: Event, *, recording: str) -> dict[str, Any]:
    """Return the message: the fields of the event, with the recording's name."""
    return {
        "format": 1,
        "recording": recording,
        "kind": event.kind,
        "time": iso_utc(event.time_ns),
        "joint": event.joint,
        "limit": event.limit,
        "severity": event.severity,
        "alert": event.alert,
        "channel": event.channel,
        "value": None if math.isnan(event.value) else event.value,
        "text": event.text,
    }


def message_text(content: dict[str, Any]) -> str:
    """Return the message as one sentence for people."""
    word = headline(EventKind(content["kind"]), content["severity"])
    # What is done to an alert has no sentence of its own, but says of which alert it is.
    text = content["text"] or f"{content['joint']} {content['limit']}".strip()
    return f"{word}: {text} ({content['recording']}, {content['time']})"


def message_json(content: dict[str, Any]) -> bytes:
    """Return the message as UTF-8 JSON."""
    return json.dumps(content, ensure_ascii=False).encode()
