"""A channel beyond a level: above or below it, in its own unit or as a share of its rated value.

The score is the reading itself, signed such that more is worse. evaluate.py defines the meaning.

Gaps: each reading is judged by itself. A delay runs on over a gap that is short against it and
starts again after a longer one (logger/limits/gaps.py); an alert stays.
"""

import math
from collections.abc import Mapping
from functools import cached_property
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from logger.joint.bench.joint_settings import RatedValues
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.channel_limit import ChannelLimit
from logger.limits.kind import (
    FiniteNumber,
    LimitForm,
    PositiveShare,
    SummaryStyle,
    rated_value,
)
from logger.limits.levels import DragHandle, LimitLevel, drop_off_handle
from logger.limits.phrases import Phrases, clear_side, format_channel_value, format_number
from logger.limits.scores import CalmBounds, LimitMemory, Scores
from logger.limits.series import Series
from logger.limits.thresholds import level_pair
from logger.settings_file import SettingError

__all__ = ["Level", "RatedLevel", "measure_level"]


class Level(ChannelLimit):
    """A channel must not stay at or beyond a level; in the channel's own unit."""

    kind: Literal["level"] = "level"
    above: FiniteNumber | None = None
    below: FiniteNumber | None = None
    drop_off: FiniteNumber | None = None
    """Where it counts as gone again; None: at the pick-up itself."""

    threshold_keys: ClassVar[frozenset[str]] = frozenset(("above", "below", "drop_off"))
    form: ClassVar[LimitForm] = LimitForm(
        key="level",
        words="level",
        blank={
            "channel": "temperature_housing_degC",
            "above": 70.0,
            "drop_off": 67.0,
            "on_delay_s": 3.0,
        },
        keys={
            "above": ("picks up at or above", "channel"),
            "below": ("picks up at or below", "channel"),
            "drop_off": ("drops off at", "channel"),
        },
        drop_offs={"above": "drop_off", "below": "drop_off"},
    )
    example: ClassVar[str] = """\
# A level: at or above, or at or below, in the channel's own unit. At its drop_off it is gone again.
[[limit]]
name        = "housing-warm"
kind        = "level"
severity    = "warning"
joint       = "shoulder"
channel     = "temperature_housing_degC"
above       = 70.0
drop_off    = 67.0
on_delay_s  = 5.0
off_delay_s = 5.0
"""

    @model_validator(mode="after")
    def _fits(self) -> "Level":
        if self.above is None and self.below is None:
            raise SettingError("above", "this key is missing; a level limit has above or below.")
        if self.above is not None and self.below is not None:
            raise SettingError(
                "below",
                found=f"{self.below:g} beside above = {self.above:g}",
                expected="one of the two",
                hint="Write two limits.",
            )
        side = "above" if self.rising else "below"
        if self.magnitude and self.pick_up < 0:
            raise SettingError(
                side,
                found=f"{self.pick_up:g} with magnitude = true",
                expected="0 or more: a magnitude is never negative",
                hint="Set magnitude = false to tell the directions apart.",
            )
        if self.drop_off is None:
            return self
        if (self.drop_off > self.pick_up) if self.rising else (self.drop_off < self.pick_up):
            bound = "at most" if self.rising else "at least"
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g}",
                expected=f"{bound} {self.pick_up:g}, the {side} of this limit",
            )
        if self.magnitude and self.drop_off < 0:
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g} with magnitude = true",
                expected="0 or more: the limit would never clear",
            )
        return self

    @property
    def rising(self) -> bool:
        """True for `above`, False for `below`."""
        return self.above is not None

    @property
    def pick_up(self) -> float:
        """The level at and beyond which it is raised."""
        level = self.above if self.above is not None else self.below
        assert level is not None, "_fits has seen to it"
        return level

    @property
    def clears_at(self) -> float:
        """The level at which (and beyond which) it counts as gone: drop-off, or the pick-up."""
        return self.pick_up if self.drop_off is None else self.drop_off

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `LimitKind`."""
        return _rank(self, values)

    @property
    def furthest_is_inside(self) -> bool:
        """See `ScoredLimit`."""
        return self.magnitude and not self.rising

    @cached_property
    def compared(self) -> tuple[float, float]:
        """The scores at which it is on and off (`thresholds`)."""
        if self.rising:
            return level_pair(self.pick_up, self.clears_at, self.size_grids)
        mirrored = tuple(grid.mirrored for grid in self.size_grids)
        return level_pair(-self.pick_up, -self.clears_at, mirrored)

    def score_key(self) -> str:
        """See `JointLimit`."""
        return f"{self.rising} {super().score_key()}"

    def compute_scores(self, memory: LimitMemory | None, series: Series) -> tuple[Scores, None]:
        """See `ScoredLimit`."""
        return measure_level(self, series), None

    def calm_values(
        self, memory: LimitMemory | None, *, active: bool, until_ns: int
    ) -> CalmBounds | None:
        """See `ScoredLimit`."""
        pick_up, drop_off = self.compared
        # Calm is a score below the pick-up, or above the drop-off; of `below` it is -size.
        edge = (drop_off if active else pick_up) * (1.0 if self.rising else -1.0)
        if self.rising == active:
            return None if self.magnitude else {self.channel: (edge, math.inf)}
        return {self.channel: (-edge if self.magnitude else -math.inf, edge)}

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        level = format_channel_value(self.channel, self.pick_up, displays=displays)
        clear = format_channel_value(self.channel, self.clears_at, displays=displays)
        bare = format_channel_value(self.channel, self.clears_at, unit=False, displays=displays)
        at_pick_up = self.clears_at == self.pick_up
        return _beyond_phrases(self, level, clear, bare, clears_at_pick_up=at_pick_up)

    def levels(self, rated: RatedValues) -> tuple[LimitLevel, ...]:
        """See `JointLimit`."""
        return (self.line(self.pick_up, self.drop_off, rising=self.rising),)

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        key, both = ("above" if self.rising else "below"), self.magnitude
        pick_up = DragHandle(key=key, position=self.pick_up, mirrored=both, is_rising=self.rising)
        return pick_up, *drop_off_handle("drop_off", self.drop_off, mirrored=both)


class RatedLevel(ChannelLimit):
    """A level as a share of the joint's rated torque, current or voltage."""

    kind: Literal["level"] = "level"
    above_rated: PositiveShare | None = None
    """1.0 is the rated value."""
    below_rated: PositiveShare | None = None
    drop_off_rated: float | None = Field(default=None, ge=0, le=1e6)

    written_with: ClassVar[frozenset[str]] = frozenset(
        ("above_rated", "below_rated", "drop_off_rated")
    )
    form: ClassVar[LimitForm] = LimitForm(
        key="rated",
        words="share of the rated value",
        blank={"channel": "torque_Nm", "above_rated": 1.5, "on_delay_s": 0.1},
        keys={
            "above_rated": ("picks up at or above", "× rated"),
            "below_rated": ("picks up at or below", "× rated"),
            "drop_off_rated": ("drops off at", "× rated"),
        },
        drop_offs={"above_rated": "drop_off_rated", "below_rated": "drop_off_rated"},
    )
    example: ClassVar[str] = """\
# A share of the joint's rated value in the bench file. Of a torque or a current the magnitude is
# meant: lowering a load is a load. magnitude = false tells the directions apart.
[[limit]]
name           = "near-rated-torque"
kind           = "level"
severity       = "warning"
channel        = "torque_Nm"
above_rated    = 0.9
drop_off_rated = 0.8
on_delay_s     = 1.0
"""

    @model_validator(mode="after")
    def _fits(self) -> "RatedLevel":
        quantity = channel_named(self.channel).quantity
        if quantity not in {"torque", "current", "voltage"}:
            raise SettingError(
                "channel",
                found=f"{self.channel!r} with a share of rated",
                expected="a torque, a current or a voltage: nothing else has a rated value",
            )
        if (self.above_rated is None) == (self.below_rated is None):
            raise SettingError("above_rated", "expected one of above_rated and below_rated.")
        if self.drop_off_rated is None:
            return self
        beyond = (
            self.drop_off_rated > self.share if self.rising else self.drop_off_rated < self.share
        )
        if beyond:
            raise SettingError(
                "drop_off_rated",
                found=f"{self.drop_off_rated:g}",
                expected=f"{'at most' if self.rising else 'at least'} {self.share:g}",
            )
        return self

    @property
    def rising(self) -> bool:
        """True for `above_rated`."""
        return self.above_rated is not None

    @property
    def share(self) -> float:
        """The share of the rated value at which it is raised."""
        share = self.above_rated if self.above_rated is not None else self.below_rated
        assert share is not None, "_fits has seen to it"
        return share

    @property
    def needs_rated(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("above_rated" if self.rising else "below_rated", self.channel),)

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `LimitKind`."""
        return _rank(self, values)

    def in_channel_unit(self, rated: RatedValues) -> Level | None:
        """Return the level that it is on a joint; None where that has no such rated value."""
        whole = rated_value(self.channel, rated)
        if whole is None:
            return None
        return Level(
            name=self.name,
            severity=self.severity,
            joint=self.joint,
            channel=self.channel,
            magnitude=self.magnitude,
            above=self.share * whole if self.rising else None,
            below=None if self.rising else self.share * whole,
            drop_off=None if self.drop_off_rated is None else self.drop_off_rated * whole,
            on_delay_s=self.on_delay_s,
            off_delay_s=self.off_delay_s,
        )

    @property
    def furthest_is_inside(self) -> bool:
        """See `ScoredLimit`."""
        return self.magnitude and not self.rising

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`; called only on the limit in the channel's unit."""
        return {}

    def compute_scores(self, memory: LimitMemory | None, series: Series) -> tuple[Scores, None]:
        """Refuse: only the limit in the channel's unit has scores (`in_channel_unit`)."""
        raise AssertionError(f"{self.name} is a share of a rated value and not of any joint")

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        clears = self.share if self.drop_off_rated is None else self.drop_off_rated
        level = f"{format_number(self.share * 100, 3)} % of rated"
        clear = f"{format_number(clears * 100, 3)} % of rated"
        return _beyond_phrases(self, level, clear, clear, clears_at_pick_up=clears == self.share)

    def levels(self, rated: RatedValues) -> tuple[LimitLevel, ...]:
        """See `JointLimit`."""
        level = self.in_channel_unit(rated)
        return () if level is None else level.levels(rated)

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        whole = rated_value(self.channel, rated)
        if whole is None:
            return ()
        key, both = ("above_rated" if self.rising else "below_rated"), self.magnitude
        pick_up = DragHandle(
            key=key,
            position=self.share * whole,
            scale=whole,
            mirrored=both,
            is_rising=self.rising,
        )
        return pick_up, *drop_off_handle(
            "drop_off_rated", self.drop_off_rated, scale=whole, mirrored=both
        )


def measure_level(limit: Level, series: Series) -> Scores:
    """Return the readings of the channel as they are."""
    at = series.channel_series(limit.channel)
    pick_up, drop_off = limit.compared
    return Scores(
        time_ns=at.time_ns,
        batch_rows=at.rows,
        score=limit.rank(at.values),
        reported=at.values,
        pick_up=pick_up,
        drop_off=drop_off,
        hold_ns=series.hold_ns[limit.channel],
    )


def _rank(limit: Level | RatedLevel, values: NDArray[np.float64]) -> NDArray[np.float64]:
    size = limit.value_of(values)
    return size if limit.rising else -size


def _beyond_phrases(
    limit: Level | RatedLevel, level: str, clear: str, bare: str, *, clears_at_pick_up: bool
) -> Phrases:
    what, of = channel_named(limit.channel).label, f"of {limit.joint or 'any joint'}"
    beyond, back = ("above", "below") if limit.rising else ("below", "above")
    back = clear_side(back, at_pick_up=clears_at_pick_up)
    either = ", in either direction," if limit.magnitude else ""
    return Phrases(
        label=f"{what} at or {beyond} {level}",
        subject=f"the {what} {of}{either}",
        reaches=f"{'reaches' if limit.rising else 'falls to'} {level}",
        stays=f"stays at or {beyond} {level}",
        clears=f"{back} {bare}",
        back=f"{what} back {back} {clear}",
        extreme="peak" if limit.rising else "lowest",
    )
