"""Which rows a reader chose, as an address has them, and which there are to choose from.

A choice is a list of quantities (every place of them) and channels; an empty one is the usual rows.
What no recording can have is left out, so that any text is a choice. Pure.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from logger.joint.channels import (
    Channel,
    channel_named,
    channel_of_quantity,
    in_channel_order,
    is_channel,
)
from logger.joint.quantities import QUANTITIES

__all__ = [
    "ALL_ROWS",
    "FLAG_LABELS",
    "USUAL_ROWS",
    "RowChoice",
    "place_label",
    "row_choice",
    "row_offers",
    "traced_channels",
]

MAX_ITEMS: Final = 60
FLAG_LABELS: Final = {"fault": "faults", "state": "states"}
"""Quantities that are drawn as flags, and what their rows are called."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowChoice:
    """The rows that a reader chose."""

    items: tuple[str, ...] = ()
    """Quantities and channels; empty: the usual rows."""

    def includes(self, channel: str) -> bool:
        """Return whether a channel was chosen, by its name or its quantity."""
        return channel in self.items or channel_named(channel).quantity in self.items

    def includes_flags(self, quantity: str) -> bool:
        """Return whether the flags of a quantity are drawn; faults are usual."""
        return quantity in self.items if self.items else quantity == "fault"


USUAL_ROWS: Final = RowChoice()
ALL_ROWS: Final = RowChoice(items=tuple(QUANTITIES))


def row_choice(text: str) -> RowChoice:
    """Return the choice that a text has, items separated by commas."""
    items = [item for item in text.split(",")[:MAX_ITEMS] if item in QUANTITIES or is_channel(item)]
    return RowChoice(items=tuple(dict.fromkeys(items)))


def traced_channels(carried: Iterable[str]) -> tuple[str, ...]:
    """Return the channels of a joint that have a trace of their own, in order.

    All that it measures but flags, and a set-point of what it does not measure.
    """
    names = in_channel_order(carried)
    return tuple(
        name
        for name in names
        if (known := channel_named(name)).quantity not in FLAG_LABELS
        and not (known.setpoint and _measured(known) in names)
    )


def place_label(channel: str) -> str:
    """Return what tells a channel from others of its quantity: "housing", "output", "torque"."""
    known = channel_named(channel)
    return " ".join(
        [known.place.replace("_", " ") or known.of.label, *(["set-point"] * known.setpoint)]
    )


def row_offers(
    channels: Mapping[str, Collection[str]],
    shown: Collection[str],
    flags: Mapping[str, bool],
) -> list[dict[str, Any]]:
    """Return what there is to choose from: quantities, and the places of those with several.

    Parameters
    ----------
    channels
        Joint -> its channels.
    shown
        The channels that are drawn.
    flags
        Quantity whose flags there are -> whether they are drawn.
    """
    offers: list[dict[str, Any]] = []
    traced = in_channel_order(
        name for carried in channels.values() for name in traced_channels(carried)
    )
    for quantity in QUANTITIES.values():
        names = [name for name in traced if channel_named(name).quantity == quantity.name]
        if not names and quantity.name not in flags:
            continue
        places = [
            {"key": name, "label": place_label(name), "shown": name in shown} for name in names
        ]
        offers.append(
            {
                "key": quantity.name,
                "label": FLAG_LABELS.get(quantity.name, quantity.label),
                "shown": flags.get(quantity.name, False)
                or (bool(names) and all(name in shown for name in names)),
                "places": places if len(places) > 1 else [],
            }
        )
    return offers


def _measured(setpoint: Channel) -> str:
    return channel_of_quantity(setpoint.quantity, setpoint.place)
