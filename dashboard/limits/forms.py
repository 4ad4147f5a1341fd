"""The forms of the Limits page: the keys of each kind of limit, with their names and units.

Taken from the models that check a limits file, so that a new key of a kind appears here by itself;
a test checks that every key has a name. Numbers are in the units of the file. Pure.
"""

import types
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, Union, get_args, get_origin

from logger.joint.channels import channel_named, is_channel
from logger.limits.kind import LimitForm, LimitKind
from logger.limits.kinds import LIMIT_KINDS, limit_model

__all__ = [
    "DROP_OFF_KEYS",
    "PAGE_FORMS",
    "PageForm",
    "channels_to_json",
    "form_key",
    "forms_to_json",
]

_COMMON_KEYS: Final = frozenset(("name", "kind", "severity", "joint"))
"""Keys that every limit has; the page has fields of its own for them."""

_DELAY_KEYS: Final = ("on_delay_s", "off_delay_s")

_COMMON: Final[Mapping[str, tuple[str, str]]] = {
    "channel": ("channel", ""),
    "magnitude": ("either direction", ""),
    "on_delay_s": ("on-delay", "s"),
    "off_delay_s": ("off-delay", "s"),
}
"""Key -> its name on the page and its unit, for keys with the same meaning in all kinds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageForm:
    """One form of a kind of limit: its model, and its names on the page."""

    model: type[LimitKind]
    of: LimitForm

    @property
    def key(self) -> str:
        """The identifier of the form on the page."""
        return self.of.key

    @property
    def kind(self) -> str:
        """The value of `kind` in a limits file."""
        return self.model.kind_name()

    @property
    def blank(self) -> Mapping[str, Any]:
        """The keys of a new limit of this form."""
        return self.of.blank

    def words_of(self, key: str) -> tuple[str, str]:
        """Return the name of a key on the page, and its unit.

        Raises
        ------
        KeyError
            The kind has no name for it.
        """
        return self.of.keys[key] if key in self.of.keys else _COMMON[key]


PAGE_FORMS: Final = tuple(
    PageForm(model=model, of=model.form) for model in LIMIT_KINDS if model.form is not None
)
DROP_OFF_KEYS: Final = {
    level: drop_off for form in PAGE_FORMS for level, drop_off in form.of.drop_offs.items()
}
"""Key of a level -> key of its drop-off, which keeps its distance when the level is moved."""


def form_key(table: dict[str, Any]) -> str:
    """Return the key of the form that fits a limit's table; empty if none does."""
    model = limit_model(table)
    return "" if model is None or model.form is None else model.form.key


def forms_to_json() -> list[dict[str, Any]]:
    """Return every form, for JSON."""
    return [
        {
            "form": form.key,
            "kind": form.kind,
            "label": form.of.words,
            "blank": dict(form.blank),
            "keys": [_key_to_json(form, key) for key in _form_keys(form)],
        }
        for form in PAGE_FORMS
    ]


def channels_to_json(names: list[str]) -> list[dict[str, str]]:
    """Return channels with their names and their units in a limits file, for JSON."""
    return [
        {
            "channel": name,
            "label": channel_named(name).label,
            "unit": channel_named(name).of.unit_text,
        }
        for name in names
        if is_channel(name)
    ]


def _form_keys(form: PageForm) -> list[str]:
    """Return the keys of a form in the order of its fields, delays last."""
    keys = [key for key in form.model.model_fields if key not in _COMMON_KEYS]
    return sorted(keys, key=lambda key: (key in _DELAY_KEYS, keys.index(key)))


def _key_to_json(form: PageForm, key: str) -> dict[str, Any]:
    field = form.model.model_fields[key]
    words, unit = form.words_of(key)
    default = None if field.is_required() else field.default
    content: dict[str, Any] = {"key": key, "label": words, "unit": unit}
    value_type = _without_none(field.annotation)
    if key in {"channel", "load"}:
        content["type"] = "channel"
    elif get_origin(value_type) is Literal:
        content |= {"type": "choice", "choices": list(get_args(value_type))}
    elif value_type is bool:
        content["type"] = "yes"
    elif get_origin(value_type) is tuple:
        content["type"] = "pair"
    else:
        content["type"] = "number"
    if isinstance(default, bool | int | float | str):
        content["default"] = default
    return content


def _without_none(annotation: Any) -> Any:  # noqa: ANN401 - a type as a model holds it
    """Return a type without None, if it is a union with it."""
    if get_origin(annotation) in {Union, types.UnionType}:
        parts = [part for part in get_args(annotation) if part is not type(None)]
        return _without_none(parts[0])
    if hasattr(annotation, "__metadata__"):
        return _without_none(get_args(annotation)[0])
    return annotation
