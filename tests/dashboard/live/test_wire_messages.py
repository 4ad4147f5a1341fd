"""The messages of the live route are declared alike on both sides."""

import typing
from pathlib import Path
from typing import Any

from dashboard.live import wire_messages

DECLARED = Path(wire_messages.__file__).parents[1] / "assets" / "live" / "messages.d.ts"
PLAIN = {str: "string", float: "number", int: "number", bool: "boolean", Any: "any"}
HEAD = """/* The text messages of the live route, as dashboard/live/wire_messages.py declares them;
   a test holds the two together and says what has to stand here. */
"""


def _typescript(kind: Any) -> str:
    """Return a type as TypeScript writes it."""
    if kind in PLAIN:
        return PLAIN[kind]
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Literal:
        return " | ".join(f'"{value}"' for value in inner)
    if origin is list:
        return f"{_typescript(inner[0])}[]"
    if origin is dict:
        return f"Record<string, {_typescript(inner[1])}>"
    return kind.__name__


def _declaration(name: str) -> str:
    kind = getattr(wire_messages, name)
    fields = [
        f"  {field}{'?' if field in kind.__optional_keys__ else ''}: {_typescript(one)};"
        for field, one in typing.get_type_hints(kind).items()
    ]
    return "\n".join([f"/** {kind.__doc__} */", f"export interface {name} {{", *fields, "}"])


def test_the_browser_declares_the_same():
    """Names, types and what may be absent: one declaration of each message, field by field."""
    messages = [name for name in wire_messages.__all__ if name.endswith("Message")]
    union = f"/** Any of them. */\nexport type Message = {' | '.join(messages)};\n"
    parts = [f"{_declaration(name)}\n" for name in wire_messages.__all__]
    wanted = "\n".join([HEAD, *parts, union])
    assert DECLARED.read_text("utf-8") == wanted
