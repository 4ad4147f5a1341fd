"""A row of a figure: its pens, and an axis that rarely changes.

Of several temperatures of a joint the one with a limit represents it, else the innermost: winding
before housing, drive and ambient. Ranges are rounded outwards, so that new data seldom change them.
Pure.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from dashboard.text.format import format_number
from dashboard.text.units import display_factor
from logger.joint.channels import channel_named, in_channel_order

__all__ = [
    "MIN_AXIS_SPAN",
    "Axis",
    "Pen",
    "PlotRow",
    "axis_range",
    "band_share",
    "main_temperature",
    "round_ticks",
    "temperature_scale",
    "tick_text",
]

FloatArray = NDArray[np.float64]
MIN_AXIS_SPAN: Final = {
    "temperature": 20.0,
    "torque": 2.0,
    "current": 2.0,
    "speed": 10.0,
    "position": 10.0,
    "voltage": 4.0,
    "count": 4.0,
    "force": 10.0,
    "mass": 1.0,
    "pressure": 10.0,
    "acceleration": 2.0,
    "power": 10.0,
    "length": 1.0,
    "ratio": 10.0,
}
"""Smallest range of an axis, in default display units: a calm trace should look calm."""
TEMPERATURE_BAND_DEGC: Final = (20.0, 90.0)
"""The small temperature scale of every joint, so that joints and recordings can be compared."""
BEYOND_LIMIT_K: Final = 8.0
DASH_WORDS: Final = ("solid", "dashed", "dotted")
_SIGNED: Final = frozenset(
    {"torque", "current", "speed", "position", "force", "acceleration", "power", "ratio"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """One channel of one joint, drawn with that joint's pen."""

    joint: str
    number: int
    """The joint's pen, from 1."""
    channel: str
    setpoint: bool = False
    other: bool = False
    """Whether it draws a second recording, laid over the first."""
    label: str = ""
    """What people call the joint; empty: its name."""
    place: str = ""
    """What tells its channel from the others of its row; empty where there is no other."""
    dash: int = 0
    """Which of `DASH_WORDS` its line is."""
    flag: str = ""
    """The flag of the channel that it draws; empty: the channel itself."""

    @property
    def joint_label(self) -> str:
        """Return how the joint is named to people."""
        return self.label or self.joint


@dataclass(frozen=True, slots=True, kw_only=True)
class PlotRow:
    """The plan of one row, before anything is read for it."""

    quantity: str
    title: str
    unit: str
    factor: float
    """Displayed value = stored value * factor."""
    decimals: int
    pens: tuple[Pen, ...]
    """Set-points first, so that they lie under the traces."""
    place: str = ""
    """Where its one channel is measured; empty where it has several, or the joint's own."""

    @property
    def is_flags(self) -> bool:
        """Return whether it has flags in place of traces."""
        return any(pen.flag for pen in self.pens)

    @property
    def key(self) -> tuple[str, ...]:
        """Return which line is which place, in words: "dashed: housing"."""
        words = {pen.dash: pen.place for pen in self.pens if pen.place}
        return tuple(f"{DASH_WORDS[dash]}: {place}" for dash, place in sorted(words.items()))

    @property
    def is_signed(self) -> bool:
        """Return whether its zero is a line: its sign is a direction."""
        return self.quantity in _SIGNED

    @property
    def measured_pens(self) -> tuple[Pen, ...]:
        """Return the pens that draw no set-point."""
        return tuple(pen for pen in self.pens if not pen.setpoint)

    @property
    def min_span(self) -> float:
        """Return the smallest range of its axis, in the displayed unit."""
        return MIN_AXIS_SPAN.get(self.quantity, 0.0) * display_factor(self.quantity, self.factor)

    @property
    def in_degrees(self) -> bool:
        """Return whether round numbers are those of a circle: 45, 90."""
        return self.unit.startswith("°") and self.quantity in {"speed", "position"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """The y axis of a row, in displayed units."""

    low: float
    high: float
    ticks: tuple[float, ...]


def main_temperature(channels: Sequence[str], limited: Collection[str] = ()) -> str | None:
    """Return the temperature channel that represents a joint, None if it reports none."""
    carried = [
        name
        for name in in_channel_order(channels)
        if channel_named(name).quantity == "temperature" and not channel_named(name).setpoint
    ]
    return next((name for name in carried if name in limited), carried[0] if carried else None)


def temperature_scale(limits_degC: Sequence[float]) -> tuple[float, float]:  # noqa: N803 - a unit
    """Return both ends of a joint's scale in degC: the band, longer if a limit is above it."""
    low, high = TEMPERATURE_BAND_DEGC
    above = (10.0 * math.ceil((at + BEYOND_LIMIT_K) / 10) for at in limits_degC)
    return low, max((high, *above))


T = TypeVar("T", float, FloatArray)


def band_share(degC: T) -> T:  # noqa: N803 - a unit
    """Return where temperatures lie within the band: 0 at its low end, 1 at its high one."""
    low, high = TEMPERATURE_BAND_DEGC
    return (degC - low) / (high - low)


def _round_step(at_least: float, *, degrees: bool) -> float:
    """Return the smallest pleasant step of at least `at_least`."""
    multiples = (1.0, 2.0, 3.0, 4.5, 6.0, 9.0, 10.0) if degrees else (1.0, 2.0, 3.0, 5.0, 6.0, 10.0)
    power = 10.0 ** math.floor(math.log10(at_least)) if at_least > 0 else 1.0
    return next((m * power for m in multiples if m * power >= at_least * (1 - 1e-9)), 10.0 * power)


def round_ticks(
    low: float, high: float, *, max_count: int, degrees: bool = False
) -> tuple[float, ...]:
    """Return at most `max_count` round values within [low, high]."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return ()
    step = _round_step((high - low) / max(1, max_count), degrees=degrees)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    values = [round(k * step, 10) + 0.0 for k in range(first, last + 1)]
    return tuple(
        values if len(values) <= max_count else values[:: math.ceil(len(values) / max_count)]
    )


def axis_range(
    low: float,
    high: float,
    *,
    min_span: float,
    degrees: bool = False,
    lines: Sequence[float] = (),
    height_px: float = 100.0,
) -> Axis:
    """Return the axis that holds data from `low` to `high` and the limit lines of its row.

    Parameters
    ----------
    low, high
        Extremes of the data in displayed units; NaN if there is none.
    min_span
        Smallest range of the axis.
    degrees
        Whether round numbers are those of a circle.
    lines
        Limit lines, which must be visible, too; their labels replace the ticks next to them.
    """
    values = [v for v in (low, high, *lines) if math.isfinite(v)]
    if not values:
        return Axis(low=0.0, high=1.0, ticks=())
    floor, top = min(values), max(values)
    room = max(top - floor, min_span or 1.0)
    grain = _round_step(room / 10.0, degrees=degrees)
    floor_at = math.floor((floor - 0.02 * room) / grain) * grain
    top_at = math.ceil((top + 0.04 * room) / grain) * grain
    if top_at - floor_at < room:
        top_at = floor_at + room
    max_ticks = int(min(5, max(2, height_px / 24.0)))
    tick_values = round_ticks(floor_at, top_at, max_count=max_ticks, degrees=degrees)
    min_distance = (top_at - floor_at) * 12.0 / max(height_px, 24.0)
    return Axis(
        low=floor_at,
        high=top_at,
        ticks=tuple(
            t for t in tick_values if not any(abs(t - line) < min_distance for line in lines)
        ),
    )


def tick_text(values: Sequence[float]) -> list[str]:
    """Return the labels of an axis, all with as many decimals as its values need, at most 4."""
    decimals = next(
        (n for n in range(4) if all(abs(v - round(v, n)) < 1e-9 for v in values)),
        4,
    )
    return [format_number(value, decimals) for value in values]
