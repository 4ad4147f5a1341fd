"""The difference between two states of the same JSON, so that only changes are sent.

Mappings are compared key by key, and lists of mappings of the same length item by item; everything
else is sent whole when it differs. A removed key is sent as None, so that None cannot be a value.
A long list in which a few items change is sent as splices. `assets/live/` applies both. Pure.
"""

import json
from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher
from typing import Any

__all__ = ["apply_diff", "apply_edits", "diff_values", "list_edits"]

ListEdit = list[Any]
"""Index, number of items to remove there, items to insert there."""


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
    """Return the edits that turn `previous` into `current`, to be applied in this order."""
    old_items, new_items = (
        [json.dumps(item, sort_keys=True) for item in side] for side in (previous, current)
    )
    steps = SequenceMatcher(None, old_items, new_items, autojunk=False).get_opcodes()
    # From the end backwards, so that no edit shifts the index of a later one.
    return [
        [first, end - first, *current[begin:until]]
        for tag, first, end, begin, until in reversed(steps)
        if tag != "equal"
    ]


def apply_edits(previous: Sequence[Any], edits: Sequence[ListEdit]) -> list[Any]:
    """Return `previous` with edits applied, as the page does."""
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
