"""TOML files as checked models, and mistakes in them as sentences.

Every settings file (bench, layout, limits) is read here, so that each mistake is answered alike:
the file, the key, what stands there, what would be right, and the nearest known name where a key
is unknown. Reads disk; decides nothing.
"""

import difflib
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from logger.errors import InputError

__all__ = ["Settings", "checked", "nearest", "read_text", "read_toml"]

Model = TypeVar("Model", bound=BaseModel)


class Settings(BaseModel):
    """Base of every settings model: immutable, and an unknown key is a mistake."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


def read_text(path: Path, what: str) -> str:
    """Return the text of a settings file; `what` names its kind in the error ("bench file").

    Raises
    ------
    InputError
        The file is missing, a folder, unreadable or not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such {what}.") from None
    except IsADirectoryError:
        raise InputError(f"{path}: this is a folder; a {what} was expected.") from None
    except UnicodeDecodeError as fault:
        raise InputError(
            f"{path}: byte {fault.start} is not UTF-8; a {what} is a UTF-8 text."
        ) from None
    except OSError as fault:
        raise InputError(
            f"{path}: the {what} cannot be read ({fault.strerror or fault})."
        ) from None


def read_toml(text: str, where: str) -> dict[str, Any]:
    """Return a TOML text as a mapping; `where` is the file's name for the error.

    Raises
    ------
    InputError
        The text is not TOML; the message carries the parser's line and column.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise InputError(f"{where}: this is not valid TOML: {fault}.") from None


def checked(model: type[Model], data: dict[str, Any], where: str) -> Model:
    """Return `data` as `model`.

    Raises
    ------
    InputError
        One sentence for each mistake: file, key, found, expected.
    """
    try:
        return model.model_validate(data)
    except ValidationError as fault:
        # A list that is empty only because its items are wrong is no mistake of its own.
        errors = [error for error in fault.errors() if error["type"] != "too_short"]
        sentences = [_sentence(model, error, where) for error in errors or fault.errors()]
        raise InputError("\n".join(dict.fromkeys(sentences))) from None


def nearest(name: str, known: Sequence[str]) -> str:
    """Return " Did you mean X?" for the nearest known name, or the list of them."""
    close = difflib.get_close_matches(name, known, n=1)
    if close:
        return f" Did you mean {close[0]!r}?"
    return f" Known: {', '.join(sorted(known))}." if known else ""


def _key(location: Sequence[int | str]) -> str:
    """Write a pydantic location as a person would: joint[2].gear_ratio, counted from 1."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text or "the file"


def _found(value: object) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    return "true" if value is True else "false" if value is False else repr(value)


def _fields_at(model: type[BaseModel], location: Sequence[int | str]) -> list[str]:
    """Return the names that are known at `location`, following nested models and lists."""
    here: Any = model
    for part in location:
        if isinstance(part, int):
            continue
        known = getattr(here, "model_fields", {})
        fields = {(field.alias or name): field for name, field in known.items()}
        if part not in fields:
            return []
        here = _model_in(fields[part].annotation)
        if here is None:
            return []
    return [
        field.alias or name for name, field in here.model_fields.items() if field.init is not False
    ]


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        found = _model_in(argument)
        if found is not None:
            return found
    return None


def _sentence(model: type[BaseModel], error: Any, where: str) -> str:  # noqa: ANN401 - pydantic's error dict
    location, kind = error["loc"], error["type"]
    key = _key(location)
    if kind == "extra_forbidden":
        known = _fields_at(model, location[:-1])
        return f"{where}: {key}: there is no such key.{nearest(str(location[-1]), known)}"
    if kind == "missing":
        return f"{where}: {key}: this key is missing."
    expected = error["msg"]
    if kind in {"value_error", "assertion_error"}:
        reason = str(error["ctx"]["error"])
        return f"{where}: {key}: {reason}" if location else f"{where}: {reason}"
    expected = expected[0].lower() + expected[1:]
    expected = expected.removeprefix("input should be ")
    return f"{where}: {key}: found {_found(error['input'])}, expected {expected}."
