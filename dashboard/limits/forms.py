"""What can be set about each kind of limit, as a page offers it: its keys, words and units.

Taken from the very models that check a limits file, so a key that a kind gains is offered here
too; a test sees to it that every key has its words. Numbers are those of the file. Pure.
"""

import types
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, Union, get_args, get_origin

from logger.joint.channels import CHANNELS
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

UNIT_TEXTS: Final = {
    "Cel": "°C", "A": "A", "N.m": "N·m", "rad/s": "rad/s", "rad": "rad", "V": "V", "1": "",
}  # fmt: skip
"""UCUM codes as a person reads them; of the file and not of the reader's choice."""

_COMMON_KEYS: Final = frozenset(("name", "kind", "severity", "joint"))
"""What every limit has: the page asks for these itself."""

_DELAY_KEYS: Final = ("on_delay_s", "off_delay_s")

_COMMON: Final[Mapping[str, tuple[str, str]]] = {
    "channel": ("channel", ""),
    "magnitude": ("either direction", ""),
    "on_delay_s": ("on-delay", "s"),
    "off_delay_s": ("off-delay", "s"),
}
"""Key -> what a page calls it, and its unit, where every kind that has the key means the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageForm:
    """One way to write a limit: a model, and how a page offers it."""

    model: type[LimitKind]
    of: LimitForm

    @property
    def key(self) -> str:
        """What the page knows it by."""
        return self.of.key

    @property
    def kind(self) -> str:
        """What the file has for `kind`."""
        return self.model.kind_name()

    @property
    def blank(self) -> Mapping[str, Any]:
        """A limit of this form to begin with."""
        return self.of.blank

    def words_of(self, key: str) -> tuple[str, str]:
        """Return what a page calls a key, and its unit; KeyError where the kind forgot one."""
        return self.of.keys[key] if key in self.of.keys else _COMMON[key]


PAGE_FORMS: Final = tuple(
    PageForm(model=model, of=model.form) for model in LIMIT_KINDS if model.form is not None
)
DROP_OFF_KEYS: Final = {
    level: drop_off for form in PAGE_FORMS for level, drop_off in form.of.drop_offs.items()
}
"""A level -> its drop-off, which keeps its distance where the level is moved."""


def form_key(table: dict[str, Any]) -> str:
    """Return the key of the form that a limit's table is written in; empty for none of them."""
    model = limit_model(table)
    return "" if model is None or model.form is None else model.form.key


def forms_to_json() -> list[dict[str, Any]]:
    """Return every form as plain content."""
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
    """Return channels with their words and the units that a limits file has them in."""
    return [
        {
            "channel": name,
            "label": CHANNELS[name].label,
            "unit": UNIT_TEXTS.get(CHANNELS[name].ucum, CHANNELS[name].ucum),
        }
        for name in names
        if name in CHANNELS
    ]


def _form_keys(form: PageForm) -> list[str]:
    """Return the keys of a form as they are filled in: what it is of first, delays last."""
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
    """Return a type without the None that may stand beside it."""
    if get_origin(annotation) in {Union, types.UnionType}:
        parts = [part for part in get_args(annotation) if part is not type(None)]
        return _without_none(parts[0])
    if hasattr(annotation, "__metadata__"):
        return _without_none(get_args(annotation)[0])
    return annotation
