"""The chosen limits as a limits file: the given file with the changed keys replaced.

Its text and comments stay as they are; comments at the top say where the limits come from. What is
written has been parsed again and equals the chosen limits.
"""

from pathlib import Path
from typing import Any

from logger.errors import InputError
from logger.limits.limit import LimitSet, parse_limits
from logger.limits.limits_text import limit_tables, prepend_comments, replace_limits_text
from logger.store.layout.files import write_or_raise
from replay.tuning.sweep import Candidate

__all__ = ["candidate_limits_text", "write_limits"]


def candidate_limits_text(limits: LimitSet, candidate: Candidate, comments: list[str]) -> str:
    """Return the text of a limits file with the keys that a candidate changes.

    Parameters
    ----------
    comments
        Where the limits come from, in lines; they become comments at its top.
    """
    changed: dict[str, dict[str, Any]] = {}
    for change in candidate.changes:
        changed.setdefault(change.limit, {})[change.key] = _to_toml_value(change.value)
    tables = [{**table, **changed.get(table["name"], {})} for table in limit_tables(limits.text)]
    text = prepend_comments(replace_limits_text(limits.text, tables), comments)
    candidate_limits = {limit.name: limit for limit in candidate.limits}
    expected = tuple(candidate_limits.get(limit.name, limit) for limit in limits.limits)
    assert parse_limits(text, "limits.toml").limits == expected, "what is written reads back"
    return text


def write_limits(path: Path, text: str) -> None:
    """Write a limits file where there is none.

    Raises
    ------
    InputError
        A file of that name exists.
    OutsideFault
        The file could not be written.
    """
    if path.exists():
        raise InputError(f"{path}: this already exists. Choose another name.")
    write_or_raise(path, lambda file: file.write(text.encode()), description="the limits")


def _to_toml_value(value: Any) -> Any:  # noqa: ANN401 - whatever a limit's key holds
    """Return a value in a type that TOML has."""
    return list(value) if isinstance(value, tuple) else value
