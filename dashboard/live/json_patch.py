"""What changed between two tellings of the same words, so that only that travels.

Mappings are compared key by key; a list of mappings of the same length is compared place by place;
all else is sent whole when it differs. A key that is gone is sent as None, so None is no value.
A long list that loses and gains a few places travels as splices. `assets/live.js` puts the changes
into what it holds. Pure.
"""

import json
from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher
from typing import Any

__all__ = ["changed", "merged", "spliced", "splices"]

Splice = list[Any]
"""Where, how many go, and what comes in their place."""


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


def splices(before: Sequence[Any], now: Sequence[Any]) -> list[Splice]:
    """Return what makes `now` of `before`, to be done one after the other."""
    old, new = ([json.dumps(item, sort_keys=True) for item in side] for side in (before, now))
    steps = SequenceMatcher(None, old, new, autojunk=False).get_opcodes()
    # From the end on, so that no step moves the places of another.
    return [
        [first, end - first, *now[begin:until]]
        for tag, first, end, begin, until in reversed(steps)
        if tag != "equal"
    ]


def spliced(before: Sequence[Any], told: Sequence[Splice]) -> list[Any]:
    """Return `before` with the splices done: what the page does with them."""
    now = list(before)
    for first, gone, *items in told:
        now[first : first + gone] = items
    return now


def _same_shape(old: object, value: object) -> bool:
    return (
        isinstance(old, list)
        and isinstance(value, list)
        and len(old) == len(value) > 0
        and all(isinstance(item, Mapping) for item in (*old, *value))
    )
