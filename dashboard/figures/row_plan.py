"""Which channels are in which row, and which pen draws each.

The usual rows are temperature, torque (current where no joint has a torque), speed, position, and
faults where there were some. Rows that a reader chose have every chosen place of a quantity: up to
three in one row, told apart by dash, else a row each. Pure.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from dashboard.figures.axes import DASH_WORDS, Pen, PlotRow, main_temperature
from dashboard.figures.pens import Pens, choose_pens
from dashboard.figures.row_choice import (
    FLAG_LABELS,
    USUAL_ROWS,
    RowChoice,
    place_label,
    traced_channels,
)
from dashboard.text.theme import display_of
from dashboard.text.units import DEFAULT_DISPLAYS, Displays
from logger.joint.channels import channel_named, in_channel_order, setpoint_of
from logger.joint.quantities import QUANTITIES

__all__ = ["FlagName", "plan_rows"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagName:
    """A flag of a joint that can be drawn."""

    quantity: str
    """ "fault" or "state"."""
    channel: str
    """ "" of a message."""
    name: str


def plan_rows(
    channels: Mapping[str, Sequence[str]],
    limited: Mapping[str, Collection[str]],
    displays: Displays = DEFAULT_DISPLAYS,
    labels: Mapping[str, str] = MappingProxyType({}),
    joint_pens: Pens | None = None,
    *,
    choice: RowChoice = USUAL_ROWS,
    flags: Mapping[str, Sequence[FlagName]] = MappingProxyType({}),
    apart: bool = False,
) -> tuple[PlotRow, ...]:
    """Return the rows for up to four joints, in the order of quantities; flags last.

    Parameters
    ----------
    channels
        Joint -> its channels.
    limited
        Joint -> channels that have a limit.
    displays
        How each quantity is shown.
    labels
        Joint -> what people call it.
    joint_pens
        The joints that are drawn, each with its pen; None: the first ones.
    choice
        The rows that the reader wants. If no joint has any of them, the usual ones.
    flags
        Joint -> its flags.
    apart
        Each channel has a row of its own: dashes are needed for a second recording.
    """
    numbers = choose_pens(tuple(channels), tuple(channels)) if joint_pens is None else joint_pens
    joints = tuple(numbers)
    usual = "torque_Nm" if any("torque_Nm" in channels[joint] for joint in joints) else "current_A"
    wanted = {
        joint: [name for name in traced_channels(channels[joint]) if choice.includes(name)]
        if choice.items
        else _usual_channels(channels[joint], limited.get(joint, ()), usual)
        for joint in joints
    }
    rows = []
    for quantity in QUANTITIES:
        carried = in_channel_order(
            name
            for joint in joints
            for name in wanted[joint]
            if channel_named(name).quantity == quantity
        )
        each = len(carried) > len(DASH_WORDS) or apart
        for names in [(name,) for name in carried] if each else [carried][: len(carried)]:
            base = [
                Pen(
                    joint=joint,
                    number=number,
                    channel=name,
                    label=labels.get(joint, ""),
                    place=place_label(name) if len(names) > 1 else "",
                    dash=dash,
                )
                for dash, name in enumerate(names)
                for joint, number in numbers.items()
                if name in wanted[joint]
            ]
            rows.append(_row_of_traces(base, channels, displays, is_alone=len(names) == 1))
    rows += [
        row
        for quantity in FLAG_LABELS
        if choice.includes_flags(quantity)
        and (row := _row_of_flags(quantity, numbers, flags, labels)) is not None
    ]
    if rows or not choice.items:
        return tuple(rows)
    return plan_rows(channels, limited, displays, labels, joint_pens, flags=flags, apart=apart)


def _usual_channels(carried: Sequence[str], limited: Collection[str], power: str) -> list[str]:
    names = (main_temperature(carried, limited), power, "speed_rad_s", "position_rad")
    return [name for name in names if name is not None and name in carried]


def _row_of_traces(
    pens: Sequence[Pen],
    channels: Mapping[str, Sequence[str]],
    displays: Displays,
    *,
    is_alone: bool,
) -> PlotRow:
    """Return the row of some pens of one quantity, with the set-points that belong to them."""
    setpoints = [
        replace(pen, channel=setpoint, setpoint=True)
        for pen in pens
        if (setpoint := setpoint_of(pen.channel)) is not None and setpoint in channels[pen.joint]
    ]
    channel = channel_named(pens[0].channel)
    display = display_of(channel.name, displays)
    words = channel.of.label if channel.place or not is_alone else channel.label
    return PlotRow(
        quantity=channel.quantity,
        title=words[:1].upper() + words[1:],
        unit=display.unit,
        factor=display.factor,
        decimals=display.decimals,
        pens=(*setpoints, *pens),
        place=channel.place.replace("_", " ") if is_alone else "",
    )


def _row_of_flags(
    quantity: str,
    joint_pens: Pens,
    flags: Mapping[str, Sequence[FlagName]],
    labels: Mapping[str, str],
) -> PlotRow | None:
    pens = tuple(
        Pen(
            joint=joint,
            number=number,
            channel=flag.channel,
            label=labels.get(joint, ""),
            flag=flag.name,
        )
        for joint, number in joint_pens.items()
        for flag in flags.get(joint, ())
        if flag.quantity == quantity
    )
    if not pens:
        return None
    return PlotRow(
        quantity=quantity,
        title=FLAG_LABELS[quantity].capitalize(),
        unit="",
        factor=1.0,
        decimals=0,
        pens=pens,
    )
