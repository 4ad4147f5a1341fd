"""A limits file with other limits in it: what was not changed keeps its text and its comments.

Pure. A returned text was parsed again and holds exactly the limits asked for; a file whose
layout cannot be edited in place is written afresh.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from logger.errors import InputError
from logger.settings_file import read_toml

__all__ = ["limit_tables", "prepend_comments", "replace_limits_text"]

_EMPTY_FILE: Final = "format = 1\n"


def limit_tables(text: str) -> list[dict[str, Any]]:
    """Return the `[[limit]]` tables of a limits file that has been read, in its order."""
    tables = read_toml(text, "limits").get("limit", [])
    return [dict(table) for table in tables]


def replace_limits_text(text: str, tables: Sequence[Mapping[str, Any]]) -> str:
    """Return the text of a limits file that holds these tables.

    Parameters
    ----------
    text
        A limits file that has been read; its limits are known by their names.
    tables
        The limits that it is to hold, each with the keys that it is to have. Those of `text` stay
        in their places, others follow after them.
    """
    wanted_tables = [dict(table) for table in tables]
    edited = _replace_in_place(text, wanted_tables)
    if edited is not None and _reads_back_as(edited, wanted_tables):
        return edited
    new_text = _new_text(wanted_tables)
    assert _reads_back_as(new_text, wanted_tables), "what is written reads back the same"
    return new_text


def _replace_in_place(text: str, tables: Sequence[dict[str, Any]]) -> str | None:
    """Return the text with the changes made where they belong; None where that cannot be done."""
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError, ValueError):
        return None
    file_tables = document.get("limit")
    if file_tables is None:
        return _blank_line_between(text, tables)
    if not isinstance(file_tables, AoT):
        return None
    tables_by_name = {str(table["name"]): table for table in tables}
    removed = [
        index for index, table in enumerate(file_tables) if table.get("name") not in tables_by_name
    ]
    if len(removed) == len(file_tables):
        return None
    for table in file_tables:
        if table.get("name") in tables_by_name:
            _update_table(table, tables_by_name.pop(str(table["name"])))
    for index in reversed(removed):
        del file_tables[index]
    return _blank_line_between(tomlkit.dumps(document), list(tables_by_name.values()))


def _update_table(table: Table, new_values: Mapping[str, Any]) -> None:
    for key in [key for key in table if key not in new_values]:
        del table[key]
    old_values = table.unwrap()
    for key in [
        key for key in old_values if key in new_values and old_values[key] != new_values[key]
    ]:
        table[key] = new_values[key]
    added = {key: value for key, value in new_values.items() if key not in old_values}
    if not added:
        return
    # What follows its last key belongs to the next limit: blank lines, a comment above it.
    body, trailing = table.value.body, []
    while body and body[-1][0] is None:
        trailing.append(body.pop())
    for key, value in added.items():
        table[key] = value
    body.extend(reversed(trailing))


def _blank_line_between(text: str, added: Sequence[Mapping[str, Any]]) -> str:
    """Return the text with further limits appended, a blank line before each."""
    if not added:
        return text
    return text.rstrip("\n") + "\n" + "".join(_to_toml_table(table) for table in added)


def _new_text(tables: Sequence[Mapping[str, Any]]) -> str:
    return _EMPTY_FILE + "".join(_to_toml_table(table) for table in tables)


def _to_toml_table(table: Mapping[str, Any]) -> str:
    return f"\n[[limit]]\n{tomlkit.dumps(table)}"


def _reads_back_as(text: str, tables: Sequence[dict[str, Any]]) -> bool:
    try:
        content = read_toml(text, "limits")
    except InputError:
        return False
    return content.get("format") == 1 and content.get("limit", []) == list(tables)


def prepend_comments(text: str, comments: Sequence[str]) -> str:
    """Return a file with lines as comments at its top, set off by a blank line."""
    head = "".join(f"# {line}\n" for line in comments)
    return f"{head}\n{text}" if head else text
