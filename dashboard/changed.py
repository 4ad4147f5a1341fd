"""What changed between two tellings of the same words, so that only that travels.

Mappings are compared key by key; a list of mappings of the same length is compared place by place;
all else is sent whole when it differs. A key that is gone is sent as None, so None is no value.
`assets/live.js` puts the changes into what it holds. Pure.
"""

from collections.abc import Mapping
from typing import Any

__all__ = ["changed", "merged"]


def changed(before: Mapping[str, Any], now: Mapping[str, Any]) -> dict[str, Any]:
    """Return what has to be said for `before` to become `now`."""
    told: dict[str, Any] = {key: None for key in before if key not in now}
    for key, value in now.items():
        old = before.get(key)
        if old == value and key in before:
            continue
        if isinstance(value, Mapping) and isinstance(old, Mapping):
            told[key] = changed(old, value)
        elif _same_shape(old, value):
            told[key] = [changed(one, other) for one, other in zip(old or [], value, strict=True)]
        else:
            told[key] = value
    return told


def merged(before: Mapping[str, Any], told: Mapping[str, Any]) -> dict[str, Any]:
    """Return `before` with what was told put in: what the page does with it."""
    now = dict(before)
    for key, value in told.items():
        old = before.get(key)
        if value is None:
            now.pop(key, None)
        elif isinstance(value, Mapping) and isinstance(old, Mapping):
            now[key] = merged(old, value)
        elif _same_shape(old, value):
            now[key] = [merged(one, other) for one, other in zip(old or [], value, strict=True)]
        else:
            now[key] = value
    return now


def _same_shape(old: object, value: object) -> bool:
    return (
        isinstance(old, list)
        and isinstance(value, list)
        and len(old) == len(value) > 0
        and all(isinstance(item, Mapping) for item in (*old, *value))
    )
