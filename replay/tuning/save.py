"""The chosen limits as a limits file: the file that was given, with the changed keys replaced.

Its text and comments stay as they are; where the limits come from stands above them as comments.
A file that is laid out in a way that cannot be edited line by line is written anew. Whatever is
written has been read back and is what was chosen.
"""

import json
import re
import tomllib
from pathlib import Path
from typing import Any, Final

from logger.errors import InputError
from logger.limits.limit import LimitSet, OfJoint, limits_from
from logger.store.files import put_or_say
from replay.tuning.sweep import Candidate, Change

__all__ = ["saved_text", "write_limits"]

_ENTRY: Final = re.compile(r"^\s*\[\[\s*limit\s*\]\]\s*(#.*)?$")
_VALUE: Final = re.compile(
    r"""^(?P<head>\s*(?P<key>[A-Za-z0-9_]+|"[^"]*")\s*=\s*)"""
    r"""(?P<value>"[^"]*"|'[^']*'|\[[^\]]*\]|[^#\s]+)(?P<tail>\s*(?:\#.*)?)$"""
)


def saved_text(limits: LimitSet, candidate: Candidate, said: list[str]) -> str:
    """Return the text of a limits file with the keys that a candidate changes.

    Parameters
    ----------
    said
        Where the limits come from, in lines; they become comments at its top.
    """
    head = "".join(f"# {line}\n" for line in said) + "\n"
    wanted = _wanted(limits, candidate)
    text = head + _edited(limits.text, candidate.changes)
    try:
        if limits_from(text, "limits.toml").limits == wanted:
            return text
    except InputError:
        pass
    text = head + _anew(limits.text, candidate.changes)
    assert limits_from(text, "limits.toml").limits == wanted, "what is written reads back the same"
    return text


def write_limits(path: Path, text: str) -> None:
    """Write a limits file where there is none.

    Raises
    ------
    InputError
        There is one.
    OutsideFault
        The disk took no more.
    """
    if path.exists():
        raise InputError(f"{path}: this already exists. Choose another name.")
    put_or_say(path, lambda file: file.write(text.encode()), what="the limits")


def _wanted(limits: LimitSet, candidate: Candidate) -> tuple[Any, ...]:
    chosen: dict[str, OfJoint] = {limit.name: limit for limit in candidate.limits}
    return tuple(chosen.get(limit.name, limit) for limit in limits.limits)


def _edited(text: str, changes: tuple[Change, ...]) -> str:
    """Return the text with the values of changed keys replaced, and missing keys added."""
    lines = text.splitlines(keepends=True)
    entries = [index for index, line in enumerate(lines) if _ENTRY.match(line)]
    if not entries:
        return text
    found: list[str] = lines[: entries[0]]
    for begin, end in zip(entries, [*entries[1:], len(lines)], strict=True):
        found += _entry(lines[begin:end], changes)
    return "".join(found)


def _entry(lines: list[str], changes: tuple[Change, ...]) -> list[str]:
    """Return the lines of one limit with its changed keys."""
    parts = [_VALUE.match(line.rstrip("\r\n")) for line in lines]
    name = next((part["value"][1:-1] for part in parts if part and part["key"] == "name"), None)
    mine = {change.key: change.value for change in changes if change.limit == name}
    lines = list(lines)
    last = 0
    for index, part in enumerate(parts):
        if part is None:
            continue
        last = index
        if part["key"] in mine:
            value = _toml(mine.pop(part["key"]))
            # A comment stays where it was, as far as the new value leaves room.
            tail = part["tail"]
            room = len(part["value"]) + len(tail) - len(tail.lstrip())
            space = " " * max(room - len(value), 1) if tail.strip() else ""
            lines[index] = f"{part['head']}{value}{space}{tail.strip()}{_end(lines[index])}"
    if mine and not lines[last].endswith("\n"):
        lines[last] += "\n"
    added = [f"{key} = {_toml(value)}{_end(lines[last])}" for key, value in mine.items()]
    return [*lines[: last + 1], *added, *lines[last + 1 :]]


def _end(line: str) -> str:
    return "\r\n" if line.endswith("\r\n") else "\n"


def _anew(text: str, changes: tuple[Change, ...]) -> str:
    """Return the same limits written from nothing, without the file's own comments."""
    found = ["format = 1\n"]
    for table in tomllib.loads(text).get("limit", []):
        mine = {change.key: change.value for change in changes if change.limit == table["name"]}
        found.append("\n[[limit]]\n")
        found += [f"{key} = {_toml(value)}\n" for key, value in {**table, **mine}.items()]
    return "".join(found)


def _toml(value: Any) -> str:  # noqa: ANN401 - whatever a limit's key holds
    """Write a number, a text, a truth or a list of them as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_toml(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False)
