"""Files and texts from outside, read within bounds: what kind of file, how long, how deep.

Settings, recordings, requests and links are written by others, or damaged on their way. Python's
parsers answer some such texts with RecursionError, MemoryError or a plain ValueError, and some only
after hours; opening a pipe waits for whoever writes into it. So every file that is expected to be a
regular one is opened here, and every TOML or JSON that comes from outside is parsed here. Reads the
disk.
"""

import errno
import io
import json
import math
import os
import stat
import tomllib
import unicodedata
from pathlib import Path
from typing import Any, Final, NoReturn

from logger.errors import InputError

__all__ = [
    "MAX_DEPTH",
    "MAX_TEXT_BYTES",
    "UnusualFileError",
    "open_regular",
    "parse_json",
    "parse_toml",
    "printable",
    "read_regular",
]

MAX_TEXT_BYTES: Final = 2 << 20
"""Most bytes of a settings file or a request; the longest in use have some hundred thousand."""
MAX_DEPTH: Final = 40
"""How deep tables and lists may lie within each other; what the program knows has at most six."""
_MAX_DIGITS: Final = 40
"""Digits of a whole number that is parsed at all."""
_WHOLE_MIN: Final = -(2**63)
_WHOLE_MAX: Final = 2**64 - 1
"""Whole numbers are those of 64 bits, signed or not: TOML 1.0 promises the signed ones, and a raw
value of a frame may be an unsigned one."""
_MAX_DOTS: Final = 1000
"""Dots in one line: the parser's time grows with the square of the parts of a dotted key."""

_STEERING: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_JOINERS: Final = "\u00ad\u200c\u200d"
"""Marks of these categories that belong to words and emoji."""

_KINDS: Final = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


class UnusualFileError(OSError):
    """A file that is there and can be opened, but is none that is read: a pipe, or far too long."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(errno.EINVAL, reason, str(path))


def open_regular(path: Path) -> io.BufferedReader:
    """Open a regular file for reading; never waits, as opening a pipe would.

    Raises
    ------
    IsADirectoryError
        It is a folder.
    UnusualFileError
        It is a pipe, a socket or a device.
    OSError
        It is missing or may not be read.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        _require_regular(path, os.fstat(descriptor).st_mode)
        return os.fdopen(descriptor, "rb")
    except BaseException:
        os.close(descriptor)
        raise


def _require_regular(path: Path, mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(mode):
        kind = next((words for is_kind, words in _KINDS if is_kind(mode)), "no plain file")
        raise UnusualFileError(path, f"found {kind}, expected a regular file")


def read_regular(path: Path, *, max_bytes: int = MAX_TEXT_BYTES) -> bytes:
    """Return the content of a regular file.

    Raises
    ------
    UnusualFileError
        It is no regular file, or has more than `max_bytes`.
    OSError
        It is missing or may not be read.
    """
    with open_regular(path) as file:
        content = file.read(max_bytes + 1)
        if len(content) > max_bytes:
            size = max(os.fstat(file.fileno()).st_size, len(content))
            raise UnusualFileError(path, f"found {size} bytes, expected at most {max_bytes}")
    return content


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """Return a TOML text as a mapping; `where` is the file's name, for the error.

    Raises
    ------
    InputError
        The text is not TOML (the message carries the parser's line and column), or is beyond a
        bound.
    """
    _check_length(text, where)
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > _MAX_DOTS:
            raise InputError(
                where=f"{where}: line {number}",
                found=f"{line.count('.')} dots",
                expected=f"at most {_MAX_DOTS} in a line",
            )
    try:
        content = tomllib.loads(text)
    except RecursionError:
        _raise_too_deep(where)
    except tomllib.TOMLDecodeError as fault:
        raise InputError(f"{where}: this is not valid TOML: {fault}.") from None
    except (ValueError, OverflowError):
        # Python's own words would tell how to change Python.
        raise InputError(
            f"{where}: found a number or a date that is far too long, expected one that a value "
            "can have."
        ) from None
    _check_values(content, where)
    return content


def parse_json(
    text: str | bytes,
    where: str,
    *,
    max_bytes: int = MAX_TEXT_BYTES,
    infinite: bool = False,
) -> Any:  # noqa: ANN401 - whatever JSON holds
    """Return a JSON text (RFC 8259) as Python's values; `where` names it in errors.

    `infinite`: whether NaN and Infinity count as numbers, as Python writes them.

    Raises
    ------
    InputError
        The text is not JSON in UTF-8, or is beyond a bound.
    """
    _check_length(text, where, max_bytes)
    try:
        content = json.loads(
            text if isinstance(text, str) else text.decode("utf-8"),
            parse_int=_whole_number,
            parse_float=float if infinite else _finite_number,
            parse_constant=float if infinite else _refuse_constant,
        )
    except RecursionError:
        _raise_too_deep(where)
    except ValueError as fault:
        raise InputError(f"{where}: this is not valid JSON: {_short(fault)}.") from None
    _check_values(content, where)
    return content


def printable(text: str, *, lines: bool = False) -> str:
    r"""Return a text with what would steer a terminal written out, as JSON escapes it: `\u001b`.

    Control characters, marks of writing direction, line separators and lone surrogates; a name that
    somebody else chose could otherwise hide or forge what a command prints. JSON stays the same
    JSON.

    Parameters
    ----------
    lines
        Whether the text may have several lines; if not, ends of lines are written out as well.
    """
    if text.isascii() and text.isprintable():
        return text
    kept = "\n\t" if lines else "\t"
    return "".join(
        letter
        if letter.isprintable() or letter in kept or unicodedata.category(letter) not in _STEERING
        else _escaped(letter)
        for letter in text
    )


def _escaped(letter: str) -> str:
    if letter in _JOINERS:
        return letter
    units = letter.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[at : at + 2].hex()}" for at in range(0, len(units), 2))


def _check_length(text: str | bytes, where: str, max_bytes: int = MAX_TEXT_BYTES) -> None:
    # A character has at least one byte, so that the usual text need not be encoded.
    if len(text) > max_bytes:
        raise InputError(
            where=where, found=f"{len(text)} characters", expected=f"at most {max_bytes}"
        )


def _raise_too_deep(where: str) -> NoReturn:
    raise InputError(
        f"{where}: found tables or lists more than {MAX_DEPTH} deep within each other, expected "
        "fewer."
    ) from None


def _check_values(content: object, where: str) -> None:
    """Raise InputError for values too deep, numbers beyond 64 bits and texts of no Unicode."""
    level = [content]
    for _ in range(MAX_DEPTH + 1):
        inner: list[object] = []
        for value in level:
            if isinstance(value, dict):
                inner += value.values()
                inner += value.keys()
            elif isinstance(value, list):
                inner += value
            elif isinstance(value, str) and not _is_unicode(value):
                raise InputError(
                    where=where, found="half of a surrogate pair in a text", expected="Unicode"
                )
            elif isinstance(value, int) and not _WHOLE_MIN <= value <= _WHOLE_MAX:
                digits = len(f"{abs(value):x}") * 1.2
                raise InputError(
                    where=where,
                    found=f"a whole number of some {digits:.0f} digits",
                    expected=f"whole numbers from {_WHOLE_MIN} to {_WHOLE_MAX}",
                )
        if not inner:
            return
        level = inner
    _raise_too_deep(where)


def _is_unicode(text: str) -> bool:
    if text.isascii():
        return True
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _whole_number(digits: str) -> int:
    if len(digits) > _MAX_DIGITS:
        raise ValueError(f"a whole number of {len(digits)} digits")
    return int(digits)


def _finite_number(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise ValueError(f"a number beyond the range of a double: {digits[:40]}")
    return number


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"found {name}, expected a number")


def _short(fault: BaseException) -> str:
    """Return a parser's own words, without what it may quote of the text."""
    return " ".join(str(fault).split())[:200].rstrip(".")
