"""What is told of an event: a sentence for people, JSON for programs. Pure."""

import json
import math
from typing import Any

from logger.notify.settings import Target
from logger.store.layout.events import Event, word_of
from logger.store.layout.manifest import time_text

__all__ = ["content_of", "encoded", "sentence_of", "wants"]

_RANK = {"": 0, "warning": 1, "trip": 2}


def wants(target: Target, event: Event) -> bool:
    """Whether a target is told of an event."""
    if event.kind not in target.of:
        return False
    return not event.alert or _RANK[event.severity] >= _RANK[target.least]


def content_of(event: Event, *, recording: str) -> dict[str, Any]:
    """Return the message: what stands in the event, with the recording's name."""
    return {
        "format": 1,
        "recording": recording,
        "kind": event.kind,
        "time": time_text(event.time_ns),
        "joint": event.joint,
        "limit": event.limit,
        "severity": event.severity,
        "alert": event.alert,
        "channel": event.channel,
        "value": None if math.isnan(event.value) else event.value,
        "text": event.text,
    }


def sentence_of(content: dict[str, Any]) -> str:
    """Return the message in words."""
    word = word_of(str(content["kind"]), str(content["severity"]))
    return f"{word}: {content['text']} ({content['recording']}, {content['time']})"


def encoded(content: dict[str, Any]) -> bytes:
    """Return the message as JSON."""
    return json.dumps(content, ensure_ascii=False).encode()
