"""What can be set about each kind of limit, as a page offers it: its keys, words and units.

Taken from the very models that check a limits file, so a key that a kind gains is offered here
too; a test sees to it that every key has its words. Numbers are those of the file. Pure.
"""

import types
from dataclasses import dataclass
from typing import Any, Final, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from logger.joint.channels import CHANNELS
from logger.limits.frozen import Stuck
from logger.limits.inverse_time import InverseTime
from logger.limits.level import Band, Level, RatedLevel
from logger.limits.rate import Rate
from logger.limits.silence import Silence
from logger.limits.thermal import Thermal
from logger.limits.touch import TouchTemperature
from logger.limits.tracking import Tracking

__all__ = [
    "DROP_OFF_KEYS",
    "KEY_LABELS",
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

KEY_LABELS: Final = {
    "channel": ("channel", ""),
    "magnitude": ("either direction", ""),
    "above": ("picks up above", "channel"),
    "below": ("picks up below", "channel"),
    "drop_off": ("drops off at", "channel"),
    "above_rated": ("picks up above", "× rated"),
    "below_rated": ("picks up below", "× rated"),
    "drop_off_rated": ("drops off at", "× rated"),
    "outside": ("picks up outside of", "channel"),
    "inside": ("drops off inside of", "channel"),
    "on_delay_s": ("on-delay", "s"),
    "off_delay_s": ("off-delay", "s"),
    "curve": ("curve of IEC 60255-151", ""),
    "setting": ("setting", "channel"),
    "setting_rated": ("setting", "× rated"),
    "tms": ("time multiplier", ""),
    "from_multiple": ("counts from", "× setting"),
    "flat_above": ("no quicker above", "× setting"),
    "reset": ("reset", ""),
    "reset_s": ("time of a full reset", "s"),
    "basic": ("basic current", "channel"),
    "basic_rated": ("basic current", "× rated"),
    "k": ("carried for ever", "× basic"),
    "heating_s": ("time constant", "s"),
    "cooling_s": ("time constant at rest", "s"),
    "rest_below": ("at rest below", "× basic"),
    "above_percent": ("picks up above", "%"),
    "drop_off_percent": ("drops off at", "%"),
    "most_degC": ("hottest allowed", "°C"),
    "rise_per_min": ("picks up at a rise of", "channel/min"),
    "over_s": ("taken over", "s"),
    "drop_off_per_min": ("drops off at a rise of", "channel/min"),
    "within": ("does not move by", "channel"),
    "load": ("while there is", ""),
    "load_above": ("of more than", "load"),
    "smoothing_s": ("smoothed over", "s"),
    "contact_s": ("touched for", "s"),
    "after_s": ("says nothing for", "s"),
}
"""Key -> what a page calls it, and its unit ("channel" and "load": that of the channel there)."""

DROP_OFF_KEYS: Final = {
    "above": "drop_off",
    "below": "drop_off",
    "above_rated": "drop_off_rated",
    "below_rated": "drop_off_rated",
    "above_percent": "drop_off_percent",
    "rise_per_min": "drop_off_per_min",
}
"""A level -> its drop-off, which keeps its distance where the level is moved."""

_KIND_KEY_LABELS: Final = {
    ("inverse-time", "drop_off"): ("drops off at", "× setting"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PageForm:
    """One way to write a limit."""

    key: str
    """What the page knows it by; a kind that can be written in several ways has several."""
    kind: str
    words: str
    model: type[BaseModel]
    blank: dict[str, Any]
    """A limit of this form to begin with."""


PAGE_FORMS: Final = (
    PageForm(key="level", kind="level", words="level", model=Level,
         blank={"channel": "temperature_housing_degC", "above": 70.0, "drop_off": 67.0,
                "on_delay_s": 3.0}),
    PageForm(key="rated", kind="level", words="share of the rated value", model=RatedLevel,
         blank={"channel": "torque_Nm", "above_rated": 1.5, "on_delay_s": 0.1}),
    PageForm(key="outside", kind="level", words="outside of two levels", model=Band,
         blank={"channel": "voltage_V", "outside": [40.0, 54.0]}),
    PageForm(key="inverse-time", kind="inverse-time", words="inverse time", model=InverseTime,
         blank={"channel": "current_A", "curve": "C", "setting": 6.0, "tms": 0.5}),
    PageForm(key="thermal", kind="thermal", words="thermal image", model=Thermal,
         blank={"channel": "current_A", "basic": 6.0, "heating_s": 900.0, "above_percent": 90.0}),
    PageForm(key="rate", kind="rate", words="rate of rise", model=Rate,
         blank={"channel": "temperature_housing_degC", "rise_per_min": 2.0, "over_s": 120.0}),
    PageForm(key="tracking", kind="tracking", words="distance from the set-point", model=Tracking,
         blank={"channel": "position_rad", "above": 0.1, "on_delay_s": 1.0}),
    PageForm(key="frozen", kind="frozen", words="frozen reading", model=Stuck,
         blank={"channel": "temperature_housing_degC", "load": "current_A", "load_above": 3.0,
                "smoothing_s": 30.0, "on_delay_s": 300.0}),
    PageForm(key="touch", kind="touch", words="burn threshold", model=TouchTemperature, blank={"contact_s": 60.0}),
    PageForm(key="silence", kind="silence", words="silence", model=Silence, blank={"after_s": 1.0}),
)  # fmt: skip


def form_key(table: dict[str, Any]) -> str:
    """Return the key of the form that a limit's table is written in; empty for none of them."""
    kind = table.get("kind")
    if kind == "level":
        if "outside" in table:
            return "outside"
        rated = {"above_rated", "below_rated", "drop_off_rated"}
        return "rated" if rated & set(table) else "level"
    return next((form.key for form in PAGE_FORMS if form.kind == kind), "")


def forms_to_json() -> list[dict[str, Any]]:
    """Return every form as plain content."""
    return [
        {
            "form": form.key,
            "kind": form.kind,
            "words": form.words,
            "blank": form.blank,
            "keys": [_key_to_json(form, key) for key in _form_keys(form)],
        }
        for form in PAGE_FORMS
    ]


def channels_to_json(names: list[str]) -> list[dict[str, str]]:
    """Return channels with their words and the units that a limits file has them in."""
    return [
        {
            "channel": name,
            "words": CHANNELS[name].label,
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
    words, unit = _KIND_KEY_LABELS.get((form.kind, key), KEY_LABELS[key])
    default = None if field.is_required() else field.default
    content: dict[str, Any] = {"key": key, "words": words, "unit": unit}
    value_type = _without_none(field.annotation)
    if key in {"channel", "load"}:
        content["is"] = "channel"
    elif get_origin(value_type) is Literal:
        content |= {"is": "choice", "choices": list(get_args(value_type))}
    elif value_type is bool:
        content["is"] = "yes"
    elif get_origin(value_type) is tuple:
        content["is"] = "pair"
    else:
        content["is"] = "number"
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
