"""Figures of cycles, their values and changes as text, in the reader's units. Pure."""

import math
import re
from dataclasses import dataclass
from typing import Final

from dashboard.text.format import MINUS, THIN_SPACE
from dashboard.text.units import Displays
from replay.campaign.campaign import FigureAnswer
from replay.campaign.figure_trend import Change, LevelBand
from replay.heat.text import band_values, unit_text

__all__ = [
    "Amount",
    "FigureText",
    "figure_label",
    "figure_label_and_unit",
    "label_in_sentence",
    "plan_text",
    "running_text",
]

_SUFFIX: Final = re.compile(r"_(s|Nm|A|degC|rad_s|rad|J)$")
_THOUSANDS: Final = re.compile(r"(?<=\d),(?=\d{3})")
_LATE_WORDS: Final = ("forward", "backward", "housing", "winding", "drive", "ambient")
_QUANTITIES: Final = {"rad": "position", "rad/s": "speed"}


def figure_label(name: str) -> str:
    """Return a figure in words: `peak_torque_forward_Nm` is "Peak torque, forward"."""
    stem = name if name == "cycle_time_s" else name.replace("_rad_s", "_rad")
    parts = _SUFFIX.sub("", stem).split("_")
    last = parts.pop() if parts[-1] in _LATE_WORDS else ""
    words = " ".join("RMS" if part == "rms" else part for part in parts)
    return words[:1].upper() + words[1:] + (f", {last}" if last else "")


def figure_label_and_unit(name: str) -> str:
    """Return a figure in words with its unit, where several differ in that alone."""
    found = _SUFFIX.search(name)
    unit = (
        found[1].replace("degC", "°C").replace("rad_s", "rad/s").replace("Nm", "N·m")
        if found
        else ""
    )
    return f"{label_in_sentence(figure_label(name))} in {unit}"


def label_in_sentence(label: str) -> str:
    """Return a label as it stands within a sentence."""
    return label if label.startswith("RMS") else label[:1].lower() + label[1:]


def running_text(hours: float) -> tuple[str, str]:
    """Return how long a joint ran, and the unit of it."""
    if hours < 1.0:
        return f"{60.0 * hours:.0f}", "min"
    return f"{hours:.1f}" if hours < 10.0 else f"{hours:.0f}", "h"


def plan_text(words: str) -> str:
    """Return words about a plan with units and thousands as the pages have them."""
    return _THOUSANDS.sub(THIN_SPACE, words.replace("degC", "°C"))


@dataclass(frozen=True, slots=True)
class Amount:
    """A difference as text: signed value, its unit, and its interval in that unit."""

    value: str
    unit: str
    interval: str

    @property
    def text(self) -> str:
        """In one line."""
        return f"{self.value} {self.unit} ({self.interval})"


class FigureText:
    """How one figure is told."""

    def __init__(self, figure: FigureAnswer, displays: Displays) -> None:
        self.figure = figure
        quantity = _QUANTITIES.get(figure.unit)
        display = displays[quantity] if quantity else None
        self.factor = display.factor if display else 1.0
        plain = {"Cel": "°C", "s": "s"}
        self.unit = display.unit if display else plain.get(figure.unit, unit_text(figure.unit))
        self.label = figure_label(figure.trend.name)

    @property
    def is_temperature(self) -> bool:
        """Whether differences of it are kelvins."""
        return self.figure.unit == "Cel"

    @property
    def word(self) -> str:
        """The label within a sentence."""
        return label_in_sentence(self.label)

    def value_text(self, value: float) -> str:
        """Return a value, without its unit."""
        return f"{value * self.factor:.4g}".replace("-", MINUS)

    def level_amount(self, band: LevelBand) -> Amount:
        """Return a level of the figure with its interval; "" where there is none."""
        if not math.isfinite(band[0]):
            return Amount("", "", "")
        low, high = sorted(one * self.factor for one in band[1:])
        value, interval = band_values((band[0] * self.factor, low, high))
        return Amount(value.replace("-", MINUS), self.unit, interval.replace("-", MINUS))

    def change_amount(self, change: Change) -> Amount:
        """Return the size of a change."""
        return self.amount(change.size, change.size_low, change.size_high)

    def amount(self, size: float, low: float, high: float) -> Amount:
        """Return a difference with its interval."""
        scale, unit = self._difference()
        value, interval = band_values((size * scale, low * scale, high * scale))
        sign = "+" if not value.startswith("-") and size > 0.0 else ""
        return Amount(sign + value.replace("-", MINUS), unit, interval.replace("-", MINUS))

    @property
    def daily_text(self) -> str:
        """The slope a day with its interval."""
        trend = self.figure.trend
        if trend.not_judged is not None:
            return "not known yet"
        daily = self.amount(trend.per_day, trend.per_day_low, trend.per_day_high)
        return f"{daily.value} ({daily.interval}) {daily.unit}"

    def size_text(self, size: float) -> str:
        """Return a size without sign or interval: "0.6 %"."""
        scale, unit = self._difference()
        return f"{abs(size * scale):.2g} {unit}"

    def _difference(self) -> tuple[float, str]:
        """Return what a difference is multiplied by, and the unit that it is told in."""
        trend = self.figure.trend
        if not trend.is_relative:
            return self.factor, "K" if self.is_temperature else self.unit
        # A share of a temperature in degrees Celsius says nothing.
        return (trend.usual, "K") if self.is_temperature else (100.0, "%")
