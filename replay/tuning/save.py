"""The chosen limits as a limits file: the file that was given, with the changed keys replaced.

Its text and comments stay as they are; where the limits come from stands above them as comments.
Whatever is written has been read back and is what was chosen.
"""

from pathlib import Path
from typing import Any

from logger.errors import InputError
from logger.limits.limit import LimitSet, limits_from
from logger.limits.limits_text import edited_text, tables_of, with_comments
from logger.store.layout.files import put_or_say
from replay.tuning.sweep import Candidate

__all__ = ["saved_text", "write_limits"]


def saved_text(limits: LimitSet, candidate: Candidate, said: list[str]) -> str:
    """Return the text of a limits file with the keys that a candidate changes.

    Parameters
    ----------
    said
        Where the limits come from, in lines; they become comments at its top.
    """
    changed: dict[str, dict[str, Any]] = {}
    for change in candidate.changes:
        changed.setdefault(change.limit, {})[change.key] = _plain(change.value)
    tables = [{**table, **changed.get(table["name"], {})} for table in tables_of(limits.text)]
    text = with_comments(edited_text(limits.text, tables), said)
    wanted = {limit.name: limit for limit in candidate.limits}
    expected = tuple(wanted.get(limit.name, limit) for limit in limits.limits)
    assert limits_from(text, "limits.toml").limits == expected, "what is written reads back"
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


def _plain(value: Any) -> Any:  # noqa: ANN401 - whatever a limit's key holds
    """Return a value as TOML knows it."""
    return list(value) if isinstance(value, tuple) else value
