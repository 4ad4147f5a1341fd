"""A limits file with other limits in it: what was not changed keeps its text and its comments.

Pure. Whatever is given back has been read again and holds just what was asked for; a file that is
laid out in a way that cannot be edited in place is written anew.
"""

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

__all__ = ["edited_text", "tables_of", "with_comments"]

_EMPTY: Final = "format = 1\n"


def tables_of(text: str) -> list[dict[str, Any]]:
    """Return the `[[limit]]` tables of a limits file that has been read, in its order."""
    found = tomllib.loads(text).get("limit", [])
    return [dict(table) for table in found]


def edited_text(text: str, tables: Sequence[Mapping[str, Any]]) -> str:
    """Return the text of a limits file that holds these tables.

    Parameters
    ----------
    text
        A limits file that has been read; its limits are known by their names.
    tables
        The limits that it is to hold, each with the keys that it is to have. Those of `text` stay
        in their places, others follow behind them.
    """
    wanted = [dict(table) for table in tables]
    edited = _in_place(text, wanted)
    if edited is not None and _holds(edited, wanted):
        return edited
    anew = _anew(wanted)
    assert _holds(anew, wanted), "what is written reads back the same"
    return anew


def _in_place(text: str, tables: Sequence[dict[str, Any]]) -> str | None:
    """Return the text with the changes made where they belong; None where that cannot be done."""
    try:
        document = tomlkit.parse(text)
    except TOMLKitError:
        return None
    known = document.get("limit")
    if known is None:
        return _with_blank_lines(text, tables)
    if not isinstance(known, AoT):
        return None
    mine = {str(table["name"]): table for table in tables}
    gone = [place for place, table in enumerate(known) if table.get("name") not in mine]
    if len(gone) == len(known):
        return None
    for table in known:
        if table.get("name") in mine:
            _change(table, mine.pop(str(table["name"])))
    for place in reversed(gone):
        del known[place]
    return _with_blank_lines(tomlkit.dumps(document), list(mine.values()))


def _change(table: Table, wanted: Mapping[str, Any]) -> None:
    for key in [key for key in table if key not in wanted]:
        del table[key]
    held = table.unwrap()
    for key in [key for key in held if key in wanted and held[key] != wanted[key]]:
        table[key] = wanted[key]
    added = {key: value for key, value in wanted.items() if key not in held}
    if not added:
        return
    # What stands behind its last key belongs to the next limit: blank lines, a comment above it.
    body, behind = table.value.body, []
    while body and body[-1][0] is None:
        behind.append(body.pop())
    for key, value in added.items():
        table[key] = value
    body.extend(reversed(behind))


def _with_blank_lines(text: str, added: Sequence[Mapping[str, Any]]) -> str:
    """Return a text with further limits behind it, each set off by a blank line."""
    if not added:
        return text
    return text.rstrip("\n") + "\n" + "".join(_written(table) for table in added)


def _anew(tables: Sequence[Mapping[str, Any]]) -> str:
    return _EMPTY + "".join(_written(table) for table in tables)


def _written(table: Mapping[str, Any]) -> str:
    return f"\n[[limit]]\n{tomlkit.dumps(table)}"


def _holds(text: str, tables: Sequence[dict[str, Any]]) -> bool:
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return content.get("format") == 1 and content.get("limit", []) == list(tables)


def with_comments(text: str, said: Sequence[str]) -> str:
    """Return a file with lines as comments at its top, set off by a blank line."""
    head = "".join(f"# {line}\n" for line in said)
    return f"{head}\n{text}" if head else text
