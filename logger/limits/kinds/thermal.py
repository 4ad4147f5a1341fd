"""Thermal image after IEC 60255-149: the warming of a conductor by its current.

The image (`logger/limits/thermal_image.py`) is kept over what a gap has beyond the hold of a value.
So it is low by what gaps took from it, a share of the time at most; where every reading is further
than its hold from the last it does not grow as it should, and is said to be not judged. Delays run
on over short gaps (logger/limits/gaps.py) and start again after longer ones; an alert stays. Time
without a recorder counts as cooling.
"""

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar, Final, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from logger.joint.bench.joint_settings import RatedValues
from logger.joint.bench.value import ChannelName
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.curves import CurveSettings
from logger.limits.kind import (
    FiniteNumber,
    LimitForm,
    PositiveNumber,
    PositiveShare,
    SummaryStyle,
    rated_value,
)
from logger.limits.levels import DragHandle, drop_off_handle
from logger.limits.phrases import (
    Phrases,
    clear_side,
    format_number,
    format_share_or_value,
    format_span,
)
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import CalmBounds, LimitMemory, Scores
from logger.limits.series import Series
from logger.limits.thermal_image import (
    IMAGE_AMBIENT,
    MOST_TIMES,
    ThermalMemory,
    held_ambient,
    image_levels,
)
from logger.settings_file import SettingError

__all__ = ["Thermal", "measure_thermal"]

_FORGOTTEN_TIME_CONSTANTS: Final = 12.0
"""Time constants of the past from which an image is computed again: exp(-12) = 6e-6."""


class Thermal(ScoredLimit):
    """A current (or torque) must not warm its image beyond a share."""

    kind: Literal["thermal"] = "thermal"
    channel: ChannelName
    basic: PositiveNumber | None = None
    """I_B, in the channel's unit."""
    basic_rated: PositiveShare | None = None
    """I_B as a share of the rated value."""
    k: float = Field(default=1.05, ge=1, le=2)
    """k * I_B is the largest current that is carried for ever."""
    heating_s: float = Field(ge=1, le=1e6)
    """Time constant."""
    cooling_s: float | None = Field(default=None, ge=1, le=1e6)
    """Time constant at rest; left out, the same."""
    rest_below: float = Field(default=0.05, ge=0, lt=1)
    """Share of I_B below which the joint is at rest."""
    above_percent: float = Field(default=100.0, gt=0, le=1000)
    drop_off_percent: float | None = Field(default=None, gt=0)
    most_degC: FiniteNumber | None = None  # noqa: N815 - the unit's own spelling
    """T_max: with it, an ambient other than 40 degC (`temperature_ambient_degC`) counts."""

    measure_unit: ClassVar[Literal["share"]] = "share"
    threshold_keys: ClassVar[frozenset[str]] = frozenset(("above_percent", "drop_off_percent"))
    integrates: ClassVar[bool] = True
    form: ClassVar[LimitForm] = LimitForm(
        key="thermal",
        words="thermal image",
        blank={"channel": "current_A", "basic": 6.0, "heating_s": 900.0, "above_percent": 90.0},
        keys={
            "basic": ("basic current", "channel"),
            "basic_rated": ("basic current", "× rated"),
            "k": ("carried for ever", "× basic"),
            "heating_s": ("time constant", "s"),
            "cooling_s": ("time constant at rest", "s"),
            "rest_below": ("at rest below", "× basic"),
            "above_percent": ("picks up at or above", "%"),
            "drop_off_percent": ("drops off at", "%"),
            "most_degC": ("hottest allowed", "°C"),
        },
        drop_offs={"above_percent": "drop_off_percent"},
    )
    example: ClassVar[str] = """\
# The thermal image of IEC 60255-149: 100 % is where it would operate.
[[limit]]
name             = "winding-image"
kind             = "thermal"
severity         = "warning"
channel          = "current_A"
basic_rated      = 1.0     # or basic = 11.0
k                = 1.05    # k times that is carried for ever
heating_s        = 600.0
cooling_s        = 1200.0  # at rest, below rest_below of the basic current
rest_below       = 0.05
above_percent    = 85.0
drop_off_percent = 75.0
# most_degC = 155.0        # with an ambient channel: an ambient other than 40 degC counts
"""

    @model_validator(mode="after")
    def _fits(self) -> "Thermal":
        if not channel_named(self.channel).magnitude:
            raise SettingError(
                "channel", found=f"{self.channel!r}", expected="a current or a torque: what warms"
            )
        if (self.basic is None) == (self.basic_rated is None):
            raise SettingError("basic", "expected one of basic and basic_rated.")
        if self.drop_off_percent is not None and self.drop_off_percent > self.above_percent:
            raise SettingError(
                "drop_off_percent",
                found=f"{self.drop_off_percent:g}",
                expected=f"at most {self.above_percent:g}, the above_percent of this limit",
            )
        if self.most_degC is not None and self.most_degC <= 40:
            raise SettingError(
                "most_degC",
                found=f"{self.most_degC:g}",
                expected="more than 40, the ambient that I_B is told for",
            )
        return self

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        current = (("channel", self.channel),)
        return current if self.most_degC is None else (*current, ("most_degC", IMAGE_AMBIENT))

    @property
    def needs_rated(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("basic_rated", self.channel),) if self.basic_rated is not None else ()

    def in_channel_unit(self, rated: RatedValues) -> Self | None:
        """See `JointLimit`."""
        if self.basic_rated is None:
            return self
        whole = rated_value(self.channel, rated)
        if whole is None:
            return None
        return self.model_copy(update={"basic": self.basic_rated * whole, "basic_rated": None})

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        ambient: dict[str, SummaryStyle] = {} if self.most_degC is None else {IMAGE_AMBIENT: "mean"}
        return {self.channel: "rms", **ambient}

    @property
    def rebuilt_from_s(self) -> float:
        """See `ScoredLimit`; after so long six parts in a million of an image are left."""
        return _FORGOTTEN_TIME_CONSTANTS * max(self.heating_s, self.cooling_s or 0.0)

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return ThermalMemory()

    def memory_after_restart(
        self, memory: LimitMemory | None, standing: float | None, time_ns: int
    ) -> LimitMemory:
        """See `JointLimit`; it has cooled meanwhile."""
        assert isinstance(memory, ThermalMemory), "`initial_memory` gave it"
        return memory.cooled(self, time_ns)

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, ThermalMemory), "`initial_memory` gave it"
        return measure_thermal(self, memory, series)

    def calm_values(
        self, memory: LimitMemory | None, *, active: bool, until_ns: int
    ) -> CalmBounds | None:
        """See `ScoredLimit`."""
        assert isinstance(memory, ThermalMemory), "`initial_memory` gave it"
        assert self.basic is not None, "`in_channel_unit` has seen to it"
        if active or memory.last_ns is None or self.most_degC is not None:
            return None
        span_s = (until_ns - memory.last_ns) * 1e-9
        nearer = -math.expm1(-span_s / min(self.heating_s, self.cooling_s or self.heating_s))
        # The heating with which it is just not full by then, less what rounding makes.
        room = self.above_percent / 100.0 * (1.0 - 1e-6) - memory.level
        most = memory.level + room / nearer if room > 0.0 else 0.0
        if memory.heating >= most:
            return None
        size = self.k * self.basic * min(math.sqrt(most), MOST_TIMES / self.k)
        return {self.channel: (-size, size)}

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        carried = format_share_or_value(
            self.channel, self.basic, self.basic_rated, self.k, displays
        )
        full = f"{format_number(self.above_percent, 2)} %"
        drop_off = self.above_percent if self.drop_off_percent is None else self.drop_off_percent
        cooling = f", {format_span(self.cooling_s)} at rest" if self.cooling_s is not None else ""
        below = clear_side("below", at_pick_up=drop_off == self.above_percent)
        ambient = "" if self.most_degC is None else " at 40 °C of ambient"
        image = (
            f"the thermal image of the {channel_named(self.channel).label} of "
            f"{self.joint or 'any joint'} ({carried} carried for ever{ambient}, time constant "
            f"{format_span(self.heating_s)}{cooling})"
        )
        return Phrases(
            label=f"thermal image at or above {full}",
            subject=image,
            reaches=f"reaches {full}",
            stays=f"stays at or above {full}",
            clears=f"{below} {format_number(drop_off, 2)} %",
            back=f"thermal image back {below} {format_number(drop_off, 2)} %",
        )

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return f"{format_number(value * 100, 1)} %"

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        pick_up = DragHandle(key="above_percent", position=self.above_percent * 0.01, scale=0.01)
        return pick_up, *drop_off_handle("drop_off_percent", self.drop_off_percent, scale=0.01)

    def curve_settings(self) -> CurveSettings:
        """See `LimitKind`."""
        basic = self.basic if self.basic is not None else self.basic_rated
        assert basic is not None, "the model has one of the two"
        return CurveSettings(
            curve="thermal",
            setting=basic,
            k=self.k,
            tau_s=self.heating_s,
            full=self.above_percent / 100.0,
        )


def measure_thermal(
    limit: Thermal, memory: ThermalMemory, series: Series
) -> tuple[Scores, ThermalMemory]:
    """Return the image at each reading of the current, and the memory after them."""
    assert limit.basic is not None, "`in_channel_unit` has seen to it"
    readings = series.channel_series(limit.channel)
    hold_ns = series.hold_ns[limit.channel]
    size = np.minimum(np.abs(readings.values) / limit.basic, MOST_TIMES)
    heating = (size / limit.k) ** 2
    if limit.most_degC is not None:
        factor, ambient = held_ambient(limit.most_degC, memory.ambient_degC, readings.rows, series)
        heating *= factor
        memory = replace(memory, ambient_degC=ambient)
    if len(size):
        level, memory = image_levels(
            limit, memory, readings.time_ns, size, heating, hold_ns=hold_ns
        )
    else:
        level = np.empty(0)
    pick_up = limit.above_percent / 100.0
    drop_off = limit.drop_off_percent
    scores = Scores(
        time_ns=readings.time_ns,
        batch_rows=readings.rows,
        score=level,
        reported=level,
        pick_up=pick_up,
        drop_off=pick_up if drop_off is None else drop_off / 100.0,
        hold_ns=hold_ns,
    )
    return scores, memory
