"""The channels: the columns that a recording can hold, named by what they carry.

    <quantity>[_<place>][_setpoint]_<unit>

such as `torque_Nm`, `temperature_bearing_degC`, `position_output_rad`, `current_setpoint_A`. The
quantity and its unit come from `quantities`; the place is a free word for where it is measured.
Without a place it is the joint's own: where a temperature sits is always part of its name, for a
drive's electronics are not a winding. Pure; anyone may import it.
"""

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Final

from logger.joint.quantities import QUANTITIES, Quantity

__all__ = [
    "USUAL_CHANNELS",
    "Channel",
    "channel_named",
    "channel_of_quantity",
    "explain_channel_name",
    "in_channel_order",
    "is_channel",
    "setpoint_of",
]

MAX_NAME_LENGTH: Final = 60
_PLACE: Final = re.compile(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*")
_SETPOINT: Final = "setpoint"
_SHORTEST_PLACE: Final = 5
"""Letters of the shortest place that another one can be nearly."""
_CLOSE: Final = 0.8
"""Likeness of two places (`difflib`) from which on one is taken for a misspelling of the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One column of a joint's status table."""

    name: str
    of: Quantity
    place: str = ""
    """Where it is measured; empty for the joint's own."""
    setpoint: bool = False

    @property
    def quantity(self) -> str:
        """Name of its quantity: temperature, current, torque."""
        return self.of.name

    @property
    def label(self) -> str:
        """What a page calls it: "housing", "torque", "torque (sensor)"."""
        if (usual := _USUAL_LABELS.get(self.name)) is not None:
            return usual
        place = self.place.replace("_", " ")
        words = place if self.quantity == "temperature" and place else self.of.label
        words = f"{words} set-point" if self.setpoint else words
        return f"{words} ({place})" if place and self.quantity != "temperature" else words

    @property
    def ucum(self) -> str:
        """Unit code after UCUM (ucum.org)."""
        return self.of.ucum

    @property
    def lowest(self) -> float:
        """Smallest value that a sane reading has, in the stored unit."""
        return self.of.lowest

    @property
    def highest(self) -> float:
        """Largest value that a sane reading has, in the stored unit."""
        return self.of.highest

    @property
    def whole(self) -> bool:
        """Whether it is stored as int64 (codes), not as float64."""
        return self.of.whole

    @property
    def mirrored(self) -> bool:
        """Whether it changes sign with a joint that is mounted reversed."""
        return self.of.mirrored

    @property
    def magnitude(self) -> bool:
        """Whether a level limit on it means the magnitude: lowering a load is a load."""
        return self.of.magnitude


USUAL_CHANNELS: Final = (
    "temperature_winding_degC",
    "temperature_housing_degC",
    "temperature_drive_degC",
    "temperature_ambient_degC",
    "current_A",
    "torque_Nm",
    "speed_rad_s",
    "position_rad",
    "voltage_V",
    "fault_code",
    "state_code",
    "current_setpoint_A",
    "torque_setpoint_Nm",
    "speed_setpoint_rad_s",
    "position_setpoint_rad",
)
"""What drives report most often, in the order in which tables show them."""
_USUAL_LABELS: Final = {
    "voltage_V": "supply voltage",
    "fault_code": "fault code",
    "state_code": "drive state",
}
_ORDER: Final = {name: number for number, name in enumerate(USUAL_CHANNELS)}
_QUANTITY_ORDER: Final = {name: number for number, name in enumerate(QUANTITIES)}


def channel_of_quantity(quantity: str, place: str = "", *, setpoint: bool = False) -> str:
    """Return the name of the channel of a quantity at a place."""
    words = [quantity, place, _SETPOINT if setpoint else "", QUANTITIES[quantity].unit]
    return "_".join(word for word in words if word)


@cache
def channel_named(name: str) -> Channel:
    """Return the channel of a name; KeyError for a name that is none (`is_channel`)."""
    channel = _parse(name)
    if channel is None:
        raise KeyError(name)
    return channel


def is_channel(name: object) -> bool:
    """Return whether a name is one of a channel."""
    return isinstance(name, str) and len(name) <= MAX_NAME_LENGTH and _parse(name) is not None


def setpoint_of(name: str) -> str | None:
    """Return the set-point channel that belongs to a measured one; None for a code or a set-point.

    Raises
    ------
    KeyError
        The name is none of a channel.
    """
    channel = channel_named(name)
    if channel.setpoint or channel.whole:
        return None
    return channel_of_quantity(channel.quantity, channel.place, setpoint=True)


def in_channel_order(names: Iterable[str]) -> tuple[str, ...]:
    """Return names of channels, each once, in the order in which tables show them.

    The usual ones first, then by quantity and name: the order of columns depends on nothing else.
    """
    return tuple(sorted(set(names), key=_order_of))


def explain_channel_name(name: str) -> tuple[str, str]:
    """Return what was expected in place of a name that is no channel, and a hint; "" for none."""
    quantity = QUANTITIES.get(name.split("_", 1)[0])
    if quantity is None:
        close = difflib.get_close_matches(name, USUAL_CHANNELS, n=1)
        units = ", ".join(f"{one.name} ({one.unit})" for one in QUANTITIES.values())
        return (
            "a channel, <quantity>[_<place>][_setpoint]_<unit>, of one of the quantities (units) "
            f"{units}",
            f" Did you mean {close[0]!r}?" if close else "",
        )
    if misspelt := _misspelt_place(name):
        return (
            f"a channel; {misspelt!r} is a usual place, and this is nearly its name",
            f" Did you mean {misspelt!r}? Else choose a place that nobody takes for it.",
        )
    examples = [usual for usual in USUAL_CHANNELS if usual.startswith(f"{quantity.name}_")]
    shape = f"{quantity.name}_<place>_{quantity.unit}"
    close = difflib.get_close_matches(name, examples or [f"{quantity.name}_{quantity.unit}"], n=1)
    usual = f"; usual are {', '.join(examples)}" if examples else ""
    return (
        f"a channel such as {shape}, its place in small letters, digits and '_'{usual}",
        f" Did you mean {close[0]!r}?" if close else "",
    )


def _order_of(name: str) -> tuple[int, int, str]:
    if (usual := _ORDER.get(name)) is not None:
        return usual, 0, name
    channel = channel_named(name)
    return len(_ORDER), _QUANTITY_ORDER[channel.quantity], name


def _parse(name: str) -> Channel | None:
    """Return the channel of a name, None for a name that is none."""
    quantity = QUANTITIES.get(name.split("_", 1)[0])
    if quantity is None or len(name) > MAX_NAME_LENGTH:
        return None
    head, tail = quantity.name, f"_{quantity.unit}"
    if not name.endswith(tail) or len(name) < len(head) + len(tail):
        return None
    place = name[len(head) : -len(tail)].removeprefix("_")
    words = place.split("_") if place else []
    setpoint = bool(words) and words[-1] == _SETPOINT
    place = "_".join(words[:-1] if setpoint else words)
    is_named = place == "" or (_PLACE.fullmatch(place) is not None and _SETPOINT not in words[:-1])
    # A temperature without a place says nothing: of a winding, or of the air beside it?
    lacks_place = quantity.name == "temperature" and not place
    if (
        not is_named
        or lacks_place
        or channel_of_quantity(quantity.name, place, setpoint=setpoint) != name
        or _misspelt_place(name)
    ):
        return None
    return Channel(name=name, of=quantity, place=place, setpoint=setpoint)


def _misspelt_place(name: str) -> str:
    """Return the usual channel of which a name is nearly one, "" for none.

    A place is a free word; a slip in a usual one would be a second channel beside the first, and
    every limit on either would be blind.
    """
    if name in _ORDER:
        return ""
    quantity = name.split("_", 1)[0]
    tail = f"_{QUANTITIES[quantity].unit}"
    place = name.removesuffix(tail).removeprefix(f"{quantity}_")
    for usual in USUAL_CHANNELS:
        meant = usual.removesuffix(tail).removeprefix(f"{quantity}_")
        # A second one beside it, `winding_2`, or a part of it, `motor_housing`, is no slip.
        is_another = re.fullmatch(rf"(\w+_)?{meant}(\d+|_\w+)?", place) is not None
        if (
            usual.startswith(f"{quantity}_")
            and len(meant) >= _SHORTEST_PLACE
            and not is_another
            and difflib.SequenceMatcher(None, place, meant).ratio() >= _CLOSE
        ):
            return usual
    return ""
