"""What changed between two tellings of the same words, so that only that travels.

Mappings are compared key by key; a list of mappings of the same length is compared place by place;
all else is sent whole when it differs. A key that is gone is sent as None, so None is no value.
A long list that loses and gains a few places travels as splices. `assets/live/` puts the changes
into what it holds. Pure.
"""

import json
from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher
from typing import Any

__all__ = ["apply_diff", "apply_edits", "diff_values", "list_edits"]

ListEdit = list[Any]
"""Where, how many go, and what comes in their place."""


def diff_values(previous: Mapping[str, Any], current: Mapping[str, Any]) -> dict[str, Any]:
    """Return the edits that turn `previous` into `current`."""
    changes: dict[str, Any] = {key: None for key in previous if key not in current}
    for key, value in current.items():
        old_value = previous.get(key)
        if old_value == value and key in previous:
            continue
        if isinstance(value, Mapping) and isinstance(old_value, Mapping):
            changes[key] = diff_values(old_value, value)
        elif _are_alike_lists(old_value, value):
            changes[key] = [
                diff_values(old_item, new_item)
                for old_item, new_item in zip(old_value or [], value, strict=True)
            ]
        else:
            changes[key] = value
    return changes


def apply_diff(previous: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return `previous` with edits applied, as the page does."""
    current = dict(previous)
    for key, value in changes.items():
        old_value = previous.get(key)
        if value is None:
            current.pop(key, None)
        elif isinstance(value, Mapping) and isinstance(old_value, Mapping):
            current[key] = apply_diff(old_value, value)
        elif _are_alike_lists(old_value, value):
            current[key] = [
                apply_diff(old_item, new_item)
                for old_item, new_item in zip(old_value or [], value, strict=True)
            ]
        else:
            current[key] = value
    return current


def list_edits(previous: Sequence[Any], current: Sequence[Any]) -> list[ListEdit]:
    """Return what makes `current` of `previous`, to be done one after the other."""
    old_items, new_items = (
        [json.dumps(item, sort_keys=True) for item in side] for side in (previous, current)
    )
    steps = SequenceMatcher(None, old_items, new_items, autojunk=False).get_opcodes()
    # From the end on, so that no step moves the places of another.
    return [
        [first, end - first, *current[begin:until]]
        for tag, first, end, begin, until in reversed(steps)
        if tag != "equal"
    ]


def apply_edits(previous: Sequence[Any], edits: Sequence[ListEdit]) -> list[Any]:
    """Return `previous` with the splices done: what the page does with them."""
    current = list(previous)
    for first, removed, *items in edits:
        current[first : first + removed] = items
    return current


def _are_alike_lists(old_value: object, value: object) -> bool:
    return (
        isinstance(old_value, list)
        and isinstance(value, list)
        and len(old_value) == len(value) > 0
        and all(isinstance(item, Mapping) for item in (*old_value, *value))
    )
