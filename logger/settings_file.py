"""TOML files as validated models, and the mistakes in them as fields and sentences.

Every settings file (bench, layout, limits) is read here, so that each mistake is reported in the
same way: the file, the key, what was found, what was expected, and where a key is unknown the
nearest known one and all of them. A value of the wrong type is a mistake too, never converted:
send = "no" is a text, not the answer whether anything may be sent. Reads the disk.
"""

import difflib
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, time
from pathlib import Path
from typing import Any, Final, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError

from logger.errors import InputError, KeyPath, Mistake
from logger.outside_text import MAX_TEXT_BYTES, parse_toml, read_regular

__all__ = [
    "SettingError",
    "Settings",
    "did_you_mean",
    "file_stamp",
    "nearest_name",
    "read_text",
    "read_toml",
    "validate_settings",
]

Model = TypeVar("Model", bound=BaseModel)

MAX_LISTED: Final = 40
"""Known names that an error lists; of a table with more columns the first of them."""


class SettingError(ValueError):
    """Raised by a validator of a settings model: which key, what was found, what was expected.

    Parameters
    ----------
    key
        Key within the validated table, with dots for one further inside; "": the value itself.
    problem
        What is wrong where "found ..., expected ..." does not say it; with its full stop.
    """

    def __init__(
        self, key: str, problem: str = "", *, found: str = "", expected: str = "", hint: str = ""
    ) -> None:
        self.mistake = Mistake(
            key=tuple(key.split(".")) if key else (),
            found=found,
            expected=expected,
            problem=problem,
            hint=hint.strip(),
        )
        super().__init__(str(self.mistake))


class Settings(BaseModel):
    """Base class of every settings model: immutable, and an unknown key is a mistake."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, str_strip_whitespace=True, allow_inf_nan=False
    )

    @property
    def written_keys(self) -> dict[str, Any]:
        """The keys that are in the file, with their values; defaults are not among them."""
        return {key: getattr(self, key) for key in self.model_fields_set}


def read_text(path: Path, description: str, *, max_bytes: int = MAX_TEXT_BYTES) -> str:
    """Return the text of a settings file; `description` names its kind in the error ("bench file").

    Raises
    ------
    InputError
        The file is missing, a folder or a pipe, unreadable, far too long or not UTF-8.
    """
    try:
        return (
            read_regular(path, max_bytes=max_bytes)
            .decode("utf-8-sig")  # Editors of some systems begin every text with a mark.
            .replace("\r\n", "\n")
            .replace("\r", "\n")
        )
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such {description}.") from None
    except IsADirectoryError:
        raise InputError(f"{path}: this is a folder; a {description} was expected.") from None
    except UnicodeDecodeError as fault:
        raise InputError(
            f"{path}: byte {fault.start} is not UTF-8; a {description} is a UTF-8 text."
        ) from None
    except OSError as fault:
        raise InputError(
            f"{path}: the {description} cannot be read ({fault.strerror or fault})."
        ) from None


def file_stamp(path: Path) -> tuple[int, int, int]:
    """Return (mtime_ns, size, inode): changes whenever a file is saved; zeros for no file.

    Size and inode as well, because an editor may write a new file and rename it over the old one,
    within one tick of the clock. In between there may be no file for a moment.
    """
    try:
        stat_result = path.stat()
    except OSError:
        return (0, 0, 0)
    return stat_result.st_mtime_ns, stat_result.st_size, stat_result.st_ino


def read_toml(text: str, where: str) -> dict[str, Any]:
    """Return a TOML text as a mapping; `where` is the file's name, for the error.

    Raises
    ------
    InputError
        The text is not TOML (the message carries the parser's line and column), or is beyond a
        bound of `logger.outside_text`.
    """
    return parse_toml(text, where)


def validate_settings(
    model: type[Model], data: dict[str, Any], where: str, *, within: KeyPath = ()
) -> Model:
    """Return `data` as a validated `model`.

    Parameters
    ----------
    where
        The file's name, for the errors.
    within
        Path to the table of the file that `data` is; () for the whole file.

    Raises
    ------
    InputError
        With one mistake (file, key, found, expected) for each thing that is wrong.
    """
    try:
        return model.model_validate(_as_tuples(data), strict=True)
    except ValidationError as fault:
        raise InputError(mistakes=_mistakes(model, fault.errors(), where, within)) from None


def did_you_mean(name: str, known_names: Sequence[str]) -> str:
    """Return " Did you mean X?" where a known name is near, and " Known: ..." with all of them."""
    if not known_names:
        return ""
    listed = sorted(known_names)[:MAX_LISTED]
    more = f" and {len(known_names) - MAX_LISTED} more" if len(known_names) > MAX_LISTED else ""
    return f"{nearest_name(name, known_names)} Known: {', '.join(listed)}{more}."


def nearest_name(name: str, known_names: Sequence[str]) -> str:
    """Return " Did you mean X?" where a known name is near, else ""; for names listed already."""
    close_names = difflib.get_close_matches(name, known_names, n=1)
    return f" Did you mean {close_names[0]!r}?" if close_names else ""


def _as_tuples(value: Any) -> Any:  # noqa: ANN401 - whatever TOML holds
    """Return a TOML value with tuples for lists, since the models are immutable."""
    if isinstance(value, dict):
        return {key: _as_tuples(item) for key, item in value.items()}
    return tuple(_as_tuples(item) for item in value) if isinstance(value, list) else value


def _found_text(value: object) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list" if value else "an empty list"
    if isinstance(value, date | time):
        return value.isoformat()
    return "true" if value is True else "false" if value is False else repr(value)


def _model_of_annotation(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        found_model = _model_of_annotation(argument)
        if found_model is not None:
            return found_model
    return None


def _mapping_value_type(annotation: object) -> object:
    """Return the type of a mapping's values, None where the annotation is no mapping."""
    return get_args(annotation)[1] if get_origin(annotation) is dict else None


def _fixed_item_count(annotation: object) -> int:
    """Return the length of a list of fixed length, 0 for any other annotation."""
    arguments = get_args(annotation)
    if get_origin(annotation) is tuple:
        return 0 if Ellipsis in arguments else len(arguments)
    return max(map(_fixed_item_count, arguments), default=0)


def _model_fields(model: type[BaseModel] | None) -> dict[str, Any]:
    known_fields = {} if model is None else model.model_fields
    return {field.alias or name: field.annotation for name, field in known_fields.items()}


def _file_location(
    model: type[BaseModel], location: Sequence[int | str]
) -> tuple[tuple[int | str, ...], object]:
    """Return the path of pydantic's `loc` in the file, and the annotation at its end.

    Where a value may be one of several models, pydantic puts the name of the one it tried into the
    location: parts that are no field of the model are left out.
    """
    kept_parts: list[int | str] = []
    annotation: object = model
    for part in location:
        if isinstance(part, int):
            kept_parts.append(part)
            continue
        fields = _model_fields(_model_of_annotation(annotation))
        within = fields.get(part) or _mapping_value_type(annotation)
        if within is not None:
            kept_parts.append(part)
            annotation = within
    return tuple(kept_parts), annotation


def _mistakes(
    model: type[BaseModel], errors: Sequence[Any], where: str, within: KeyPath
) -> list[Mistake]:
    """Return the mistakes; errors about alternatives for one value become a single mistake."""
    mistakes = [_mistake(model, error) for error in errors]
    keys = {mistake.key for mistake in mistakes}
    merged: dict[tuple[KeyPath, str, str, str], list[str]] = {}
    for mistake in mistakes:
        # A list that is empty only because its items are wrong, or a table that fits none of the
        # models allowed there, is no mistake of its own: the one further inside says more.
        depth = len(mistake.key)
        if any(len(key) > depth and key[:depth] == mistake.key for key in keys):
            continue
        same = (mistake.key, mistake.found, mistake.problem, mistake.hint)
        merged.setdefault(same, []).append(mistake.expected)
    return [
        Mistake(
            where=where,
            key=(*within, *key),
            found=found,
            expected=" or ".join(dict.fromkeys(expected)),
            problem=problem,
            hint=hint,
        )
        for (key, found, problem, hint), expected in merged.items()
    ]


def _mistake(model: type[BaseModel], error: Any) -> Mistake:  # noqa: ANN401 - pydantic's error dict
    """Return one error of pydantic as a mistake, with its key as in the file."""
    location, kind = error["loc"], error["type"]
    if kind == "extra_forbidden":
        table, annotation = _file_location(model, location[:-1])
        hint = did_you_mean(
            str(location[-1]), list(_model_fields(_model_of_annotation(annotation)))
        ).strip()
        return Mistake(key=(*table, location[-1]), problem="there is no such key.", hint=hint)
    key, annotation = _file_location(model, location)
    if kind == "missing" and isinstance(location[-1], int):
        found = f"a list of {len(error['input'])}"
        return Mistake(key=key[:-1], found=found, expected=f"{_fixed_item_count(annotation)} items")
    if kind == "missing":
        return Mistake(key=key, problem="this key is missing.")
    if kind == "too_long":
        found = f"a list of {error['ctx']['actual_length']}"
        return Mistake(key=key, found=found, expected=f"{error['ctx']['max_length']} items")
    if kind in {"value_error", "assertion_error"}:
        raised = error["ctx"]["error"]
        if isinstance(raised, SettingError):
            # A validator of a whole table names the key that is wrong in it.
            return replace(raised.mistake, key=(*key, *raised.mistake.key))
        return Mistake(key=key, problem=str(raised))
    return Mistake(
        key=key, found=_found_text(error["input"]), expected=_expected_text(error, key, annotation)
    )


_TYPE_ERROR_WORDS: Final = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "string_too_short": "a text that is not empty",
    "too_short": "at least one item",
}
_PATTERN_WORDS: Final = {
    "^[a-z0-9][a-z0-9_-]*$": "small letters, digits, '-' and '_', a letter or digit first",
    "^[a-z0-9][a-z0-9-]*$": "small letters, digits and '-', a letter or digit first",
    "^[a-z0-9-]+$": "small letters, digits and '-'",
}
_BOUND_WORDS: Final = {
    "greater_than": ("gt", "greater than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}


def _expected_text(error: Any, location: Sequence[int | str], annotation: object) -> str:  # noqa: ANN401 - pydantic's error dict
    """Return in words which value would be right."""
    kind, found_value, context = error["type"], error["input"], error.get("ctx", {})
    if kind in _BOUND_WORDS:
        key, words = _BOUND_WORDS[kind]
        return f"{words} {context[key]:.10g}"
    if kind == "string_too_long":
        return f"at most {context['max_length']} characters"
    if kind == "string_pattern_mismatch":
        pattern = context["pattern"]
        return _PATTERN_WORDS.get(pattern, f"a text that fits {pattern}")
    if kind == "literal_error":
        known_keys = re.findall(r"'([^']*)'", context["expected"])
        close_names = (
            difflib.get_close_matches(found_value, known_keys, n=1)
            if isinstance(found_value, str)
            else []
        )
        hint = f" (did you mean {close_names[0]!r}?)" if close_names and len(known_keys) > 1 else ""
        return f"{context['expected']}{hint}"
    if kind == "tuple_type":
        if not isinstance(found_value, dict):
            return "a list in [ ]"
        names = ".".join(part for part in location if isinstance(part, str))
        return f"a list of tables; write [[{names}]] above each"
    if kind in {"model_type", "dict_type"}:
        known_keys = list(_model_fields(_model_of_annotation(annotation)))
        if not known_keys:
            return "a table of keys"
        tables = "a table of tables" if kind == "dict_type" else "a table"
        return f"{tables} with {', '.join(known_keys)}"
    words = str(error["msg"]).removeprefix("Input should be ")
    return _TYPE_ERROR_WORDS.get(kind, words[0].lower() + words[1:])
