"""The message about an event: a sentence for people, JSON for programs. Pure.

Both name the test, and say so where its joints are simulated. A value has its unit; what is done to
an alert says of which, by whom, and how long after it was raised.
"""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from logger.event_kind import EventKind
from logger.joint.channels import channel_named, is_channel
from logger.limits.kind import LimitKind
from logger.limits.phrases import format_span
from logger.limits.words import format_value, limit_label
from logger.notify.settings import NotifyTarget
from logger.store.layout.events import Event, headline
from logger.store.layout.manifest import iso_utc

__all__ = ["MessageSource", "matches_target", "message_json", "message_payload", "message_text"]

_SEVERITY_RANK = {"": 0, "warning": 1, "trip": 2}
_DONE_TO_ALERTS: Final = frozenset({EventKind.ACKNOWLEDGED, EventKind.SHELVED, EventKind.UNSHELVED})


def _no_limit(_name: str) -> LimitKind | None:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSource:
    """What messages are about: one recording."""

    recording: str
    """Name of its folder."""
    test: str = ""
    """What the test is called."""
    simulated: bool = False
    """Whether its joints do not exist."""
    labels: Mapping[str, str] = field(default_factory=dict)
    """Joint -> what people call it."""
    limit_named: Callable[[str], LimitKind | None] = _no_limit
    """Returns the limit of a name that is in force, None where it is not known."""


def matches_target(target: NotifyTarget, event: Event) -> bool:
    """Return whether a target wants a message about an event: by its kind and severity."""
    if event.kind not in target.of:
        return False
    return not event.alert or _SEVERITY_RANK[event.severity] >= _SEVERITY_RANK[target.least]


def message_payload(
    event: Event, source: MessageSource, *, changed: tuple[str, ...] | None = None
) -> dict[str, Any]:
    """Return the message: the fields of the event, and what it is about.

    `unit` is the UCUM code of `value`, None where the value is of no channel; `value_text` has the
    value as pages show it. `duration_s`: raised, for how long the condition had held; returned,
    acknowledged and unshelved, how long ago it was raised; shelved, for how long. `changed`: of a
    day of a campaign that is over, the figures that have changed by then; None: not known.
    """
    limit = source.limit_named(event.limit) if event.limit else None
    has_value = not math.isnan(event.value)
    channel = channel_named(event.channel) if is_channel(event.channel) else None
    return {
        "format": 1,
        "recording": source.recording,
        "test": source.test,
        "simulated": source.simulated,
        "kind": event.kind,
        "time": iso_utc(event.time_ns),
        "joint": event.joint,
        "label": source.labels.get(event.joint, event.joint),
        "limit": event.limit,
        "limit_text": "" if limit is None else limit_label(limit),
        "severity": event.severity,
        "alert": event.alert,
        "channel": event.channel,
        "value": event.value if has_value else None,
        "unit": channel.ucum if channel is not None and has_value else None,
        "value_text": format_value(limit, event.value) if limit is not None and has_value else "",
        "duration_s": None if math.isnan(event.duration_s) else round(event.duration_s, 3),
        "who": event.who,
        "stage": event.stage,
        "changed": None if changed is None else list(changed),
        "text": event.text,
    }


def message_text(content: dict[str, Any]) -> str:
    """Return the message as one sentence for people.

    `content` may have been written by an earlier version, whose messages had fewer fields.
    """
    kind = EventKind(content["kind"])
    word = headline(kind, content["severity"])
    text = _alert_phrase(content, kind) if kind in _DONE_TO_ALERTS else content["text"]
    duration_s = content.get("duration_s")
    if kind == EventKind.RETURNED and duration_s is not None:
        text += f", {_span_text(duration_s)} after it was raised"
    test = f"test {content['test']!r}, " if content.get("test") else ""
    simulated = "simulated joints, " if content.get("simulated") else ""
    # The sentence of an event has it, but for what an earlier version left in the outbox.
    label = content.get("label") or content["joint"]
    is_named = label in text or label == content["joint"]
    named = f"{label}, " if kind not in _DONE_TO_ALERTS and not is_named else ""
    return f"{word}: {text} ({named}{simulated}{test}{content['recording']}, {content['time']})"


def _alert_phrase(content: dict[str, Any], kind: EventKind) -> str:
    """Return to which alert it was done: "shoulder housing above 80 °C (hot), raised at 83 °C"."""
    limit_text = content.get("limit_text") or ""
    named = f"{limit_text} ({content['limit']})" if limit_text else content["limit"]
    parts = [f"{content.get('label') or content['joint']} {named}".strip()]
    if content.get("value_text"):
        parts.append(f"raised at {content['value_text']}")
    if content.get("who"):
        parts.append(f"by {content['who']}")
    if content.get("duration_s") is not None:
        span = _span_text(content["duration_s"])
        parts.append(f"for {span}" if kind == EventKind.SHELVED else f"{span} after it was raised")
    text = ", ".join(parts)
    return f"{text}: {content['text']}" if content["text"] else text


def _span_text(span_s: float) -> str:
    return format_span(round(span_s, 1))


def message_json(content: dict[str, Any]) -> bytes:
    """Return the message as UTF-8 JSON."""
    return json.dumps(content, ensure_ascii=False).encode()
