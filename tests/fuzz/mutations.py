"""What makes sound inputs hostile: single values, bytes, JSON and TOML. Drawn from one `Random`."""

import copy
import json
import random
import re
from typing import Any, Final

__all__ = ["hostile_value", "json_bytes", "mutate_bytes", "mutate_json", "mutate_toml"]

_NUMBERS: Final = (
    0,
    -1,
    1,
    255,
    2**16,
    -(2**31),
    2**31,
    2**53,
    2**62,
    2**63 - 1,
    -(2**63),
    2**63,
    2**64,
    2**70,
    10**30,
    10**400,
    0.0,
    -0.0,
    0.5,
    -1.5,
    1e-300,
    1e30,
    -1e30,
    1e308,
    5e-324,
)
_TEXTS: Final = (
    "",
    " ",
    "\x00",
    "\x1b[31mred\x1b[0m",
    "\x9b2J",
    "\u202eevil",
    "\u2028",
    "a" * 5000,
    "../../x",
    "/etc/passwd",
    "[/bold]",
    "%s%n",
    "nan",
    "inf",
    "\ud7ff",
    "é" * 40,
    "a\nb\r\nc",
    "joint",
    "[" * 3000,
    "-",
    "0x",
    "1e999",
    "\U0001f600",
)


def _deep(depth: int, *, table: bool) -> Any:
    value: Any = 1
    for _ in range(depth):
        value = {"a": value} if table else [value]
    return value


def hostile_value(draw: random.Random) -> Any:
    """Return a value that nobody means, of any JSON type."""
    kind = draw.randrange(8)
    if kind < 3:
        return draw.choice(_NUMBERS)
    if kind < 6:
        return draw.choice(_TEXTS)
    return (
        draw.choice((None, True, False, [], {}, [[]], [None], {"": 0}, [1] * 2000))
        if kind == 6
        else _deep(draw.choice((3, 39, 60, 400)), table=draw.random() < 0.5)
    )


def mutate_bytes(content: bytes, draw: random.Random) -> bytes:
    """Return bytes with a few flipped, cut out, doubled, overwritten or added."""
    data = bytearray(content)
    for _ in range(draw.choice((1, 1, 1, 2, 5))):
        size = len(data)
        at = draw.randrange(size + 1)
        length = min(draw.choice((1, 1, 2, 4, 8, 64, 512)), size - at)
        match draw.randrange(7):
            case 0 if at < size:
                data[at] ^= 1 << draw.randrange(8)
            case 1:
                del data[at:]
            case 2:
                del data[at : at + length]
            case 3:
                data[at:at] = data[at : at + length]
            case 4:
                data[at : at + length] = draw.randbytes(length)
            case 5:
                data[at:at] = draw.randbytes(draw.choice((1, 3, 16)))
            case 6:
                data[at : at + length] = bytes(length)
    return bytes(data)


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path]
    if isinstance(value, dict):
        for key, item in value.items():
            found += _places(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value[:50]):
            found += _places(item, (*path, index))
    return found


def mutate_json(content: Any, draw: random.Random) -> Any:
    """Return JSON content with one to three values replaced, removed or added."""
    changed = copy.deepcopy(content)
    for _ in range(draw.choice((1, 1, 2, 3))):
        path = draw.choice(_places(changed))
        if not path:
            if draw.random() < 0.1:
                return hostile_value(draw)
            continue
        holder = changed
        for step in path[:-1]:
            holder = holder[step]
        old = holder[path[-1]]
        match draw.randrange(5):
            case 0:
                del holder[path[-1]]
            case 1 if isinstance(holder, dict):
                holder[draw.choice(_TEXTS)] = hostile_value(draw)
            case 2 if isinstance(old, str) and len(old) > 20:
                holder[path[-1]] = mutate_toml(old, draw)
            case _:
                holder[path[-1]] = hostile_value(draw)
    return changed


def _toml_value(draw: random.Random) -> str:
    value = hostile_value(draw)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return str(value) if not isinstance(value, int) or abs(value) < 10**300 else "9" * 5000
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, list):
        return json.dumps(value)
    return draw.choice(
        ("inf", "nan", "2020-01-01", "0xffffffffffffffffffff", "{ a = 1 }", "1979-05-27T00:32:00Z")
    )


def mutate_toml(text: str, draw: random.Random) -> str:
    """Return a TOML text with values, keys, lines or bytes changed."""
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        lines = text.split("\n")
        at = draw.randrange(len(lines))
        match draw.randrange(10):
            case 0 | 1 | 2 | 3:
                settings = [n for n, line in enumerate(lines) if re.match(r"\s*[\w-]+\s*=", line)]
                if settings:
                    at = draw.choice(settings)
                    lines[at] = lines[at].partition("=")[0] + "= " + _toml_value(draw)
            case 4:
                del lines[at]
            case 5:
                lines.insert(draw.randrange(len(lines) + 1), lines[at])
            case 6:
                other = draw.randrange(len(lines))
                lines[at], lines[other] = lines[other], lines[at]
            case 7:
                key = draw.choice(
                    ("a", "format", "name", "above", "a" + ".a" * draw.choice((3, 300, 5000)))
                )
                lines.insert(at, f"{key} = {_toml_value(draw)}")
            case 8:
                numbers = [m.span() for m in re.finditer(r"\d+(?:\.\d+)?", lines[at])]
                if numbers:
                    begin, end = draw.choice(numbers)
                    lines[at] = (
                        lines[at][:begin] + str(draw.choice(_NUMBERS[:-8])) + lines[at][end:]
                    )
            case 9:
                flipped = mutate_bytes(text.encode("utf-8", "replace"), draw)
                lines = flipped.decode("utf-8", "replace").split("\n")
        text = "\n".join(lines)
    return text


def json_bytes(content: Any) -> bytes:
    """Return JSON content as bytes, with a giant number where Python writes none."""
    try:
        return json.dumps(content).encode()
    except ValueError:
        # A number of more digits than Python writes.
        return b'{"format": 1, "started_ns": ' + b"9" * 6000 + b"}"
