"""Inverse time after IEC 60255-151: the higher the current, the shorter it may last.

For a current that varies the share of its time that each held value uses up is added:
integral of dt / t(G(t)) (from memory; the usual practice), which operates at 1. A value counts
until the next, at most for its hold; over the rest of a gap the integral stands still, so that it
is late by what gaps took from it. Where every reading is further than its hold from the last it is
said to be not judged. Delays run on over short gaps (logger/limits/gaps.py) and start again after
longer ones; an alert stays. Raised at
the reading that completes the integral, not between two: readings drive limits, `now_ns` does not,
so any chunking agrees. At most one period of the frame lies between the two.

Below the setting the integral is reset at once, is held, or runs back in the time of the curve.
Once it has operated and the current is back below, it starts from 0 again.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import ClassVar, Final, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from logger.joint.bench.joint_settings import RatedValues
from logger.joint.bench.value import ChannelName
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.curves import CURVES, FLAT_ABOVE, CurveSettings, inverse_operate_s
from logger.limits.kind import (
    LimitForm,
    PositiveDuration,
    PositiveNumber,
    PositiveShare,
    SummaryStyle,
    rated_value,
)
from logger.limits.levels import DragHandle
from logger.limits.phrases import Phrases, clear_side, format_number, format_share_or_value
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import CalmBounds, LimitMemory, Scores
from logger.limits.series import Series
from logger.limits.thresholds import at_least, at_most, magnitude_grids
from logger.settings_file import SettingError

__all__ = ["InverseMemory", "InverseTime", "measure_inverse_time"]

_FULL: Final = 1.0 - 1e-9
"""A sum of a million parts is that close to 1."""
_ROUNDED: Final = 1e-9
"""More than rounding makes of a size, or of an integral."""
_SHORT: Final = 16
"""Runs of fewer readings on average are faster in a plain loop."""


class InverseTime(ScoredLimit):
    """A current (or torque) must not last longer than its curve allows."""

    kind: Literal["inverse-time"] = "inverse-time"
    channel: ChannelName
    curve: Literal["A", "B", "C", "D", "E", "F"]
    setting: PositiveNumber | None = None
    """G_S, in the channel's unit."""
    setting_rated: PositiveShare | None = None
    """G_S as a share of the rated value."""
    tms: float = Field(default=1.0, gt=0, le=100)
    """Time multiplier."""
    from_multiple: float = Field(default=1.0, ge=1, le=2)
    """From this multiple of the setting on it counts; 1.1 is a practical minimum."""
    flat_above: float = Field(default=FLAT_ABOVE, ge=2, le=1000)
    """Multiple above which the time falls no further."""
    drop_off: float = Field(default=1.0, gt=0, le=1)
    """Multiple of the setting at or below which it counts as gone, once it has operated."""
    reset: Literal["instant", "held", "dependent"] = "instant"
    reset_s: PositiveDuration | None = None
    """Time of a full reset at no current; curves D to F have one of their own."""

    integrates: ClassVar[bool] = True
    form: ClassVar[LimitForm] = LimitForm(
        key="inverse-time",
        words="inverse time",
        blank={"channel": "current_A", "curve": "C", "setting": 6.0, "tms": 0.5},
        keys={
            "curve": ("curve of IEC 60255-151", ""),
            "setting": ("setting", "channel"),
            "setting_rated": ("setting", "× rated"),
            "tms": ("time multiplier", ""),
            "from_multiple": ("counts from", "× setting"),
            "flat_above": ("no quicker above", "× setting"),
            "drop_off": ("drops off at", "× setting"),
            "reset": ("reset", ""),
            "reset_s": ("time of a full reset", "s"),
        },
    )
    example: ClassVar[str] = """\
# Inverse time: the higher the current, the shorter it may last. Curves A to F of IEC 60255-151;
# `dutytrace limits curve overload --limits FILE` tabulates and draws this one.
[[limit]]
name          = "overload"
kind          = "inverse-time"
severity      = "trip"
channel       = "current_A"
curve         = "C"
setting_rated = 1.0        # or setting = 11.0, in the channel's unit
tms           = 0.5        # time multiplier
from_multiple = 1.1        # counts from this multiple of the setting on
flat_above    = 20.0       # the time falls no further above this multiple
drop_off      = 0.95       # a multiple as well
reset         = "instant"  # or "held", or "dependent" (D to F, or with reset_s)
"""

    @model_validator(mode="after")
    def _fits(self) -> "InverseTime":
        if not channel_named(self.channel).magnitude:
            raise SettingError(
                "channel",
                found=f"{self.channel!r}",
                expected="a current or a torque: a time-current curve is of nothing else",
            )
        if (self.setting is None) == (self.setting_rated is None):
            raise SettingError("setting", "expected one of setting and setting_rated.")
        if self.reset_s is not None and self.reset != "dependent":
            raise SettingError(
                "reset_s",
                found=f"{self.reset_s:g} with reset = {self.reset!r}",
                expected="it with reset = 'dependent' only",
            )
        if self.reset == "dependent" and self.full_reset_s is None:
            raise SettingError(
                "reset",
                f"found 'dependent' with curve {self.curve!r}, which has no reset "
                "time of its own; expected reset_s beside it, or a curve of D, E, "
                "F.",
            )
        return self

    @property
    def full_reset_s(self) -> float | None:
        """Time of a full reset at no current, before the time multiplier."""
        return self.reset_s if self.reset_s is not None else CURVES[self.curve].reset_s

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("channel", self.channel),)

    @property
    def needs_rated(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("setting_rated", self.channel),) if self.setting_rated is not None else ()

    @property
    def reported_channel(self) -> str:
        """See `LimitKind`."""
        return self.channel

    @cached_property
    def counts_from(self) -> float:
        """The multiple of the setting from which on a reading counts (`thresholds`)."""
        assert self.setting is not None, "`in_channel_unit` has seen to it"
        grids = magnitude_grids(self.grids_of(self.channel))
        return at_least(self.setting * self.from_multiple, grids) / self.setting

    @cached_property
    def gone_until(self) -> float:
        """The multiple of the setting up to which a reading counts as gone."""
        assert self.setting is not None, "`in_channel_unit` has seen to it"
        grids = magnitude_grids(self.grids_of(self.channel))
        return at_most(self.setting * self.drop_off, grids) / self.setting

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """See `LimitKind`."""
        return np.abs(values)

    def in_channel_unit(self, rated: RatedValues) -> Self | None:
        """See `JointLimit`."""
        if self.setting_rated is None:
            return self
        whole = rated_value(self.channel, rated)
        if whole is None:
            return None
        setting = self.setting_rated * whole
        return self.model_copy(update={"setting": setting, "setting_rated": None})

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {self.channel: "rms"}

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return InverseMemory()

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, InverseMemory), "`initial_memory` gave it"
        return measure_inverse_time(self, memory, series)

    def calm_values(
        self, memory: LimitMemory | None, *, active: bool, until_ns: int
    ) -> CalmBounds | None:
        """See `ScoredLimit`."""
        assert isinstance(memory, InverseMemory), "`initial_memory` gave it"
        assert self.setting is not None, "`in_channel_unit` has seen to it"
        if active or memory.last_ns is None:
            return None
        multiple = self.counts_from
        if memory.integral > 0.0 or memory.multiple >= multiple:
            # It fills no quicker than by the largest of these.
            multiple = max(memory.multiple, 2.0 * multiple)
            lasts_s = inverse_operate_s(
                CURVES[self.curve], multiple, tms=self.tms, flat_above=self.flat_above
            )
            grown = (until_ns - memory.last_ns) * 1e-9 / float(lasts_s)
            if memory.integral + grown >= _FULL - _ROUNDED:
                return None
        size = multiple * self.setting * (1.0 - _ROUNDED)
        return {self.channel: (-size, size)}

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""

        def at(multiple: float) -> str:
            return format_share_or_value(
                self.channel, self.setting, self.setting_rated, multiple, displays
            )

        what = channel_named(self.channel).label
        name = f"curve {self.curve} ({CURVES[self.curve].name})"
        multiplier = (
            f" with the time multiplier {format_number(self.tms, 4)}" if self.tms != 1 else ""
        )
        below = clear_side("below", at_pick_up=self.drop_off == self.from_multiple)
        long = f"is at or above {at(self.from_multiple)} for longer than {name}{multiplier} allows"
        return Phrases(
            label=f"{what} at or above {at(self.from_multiple)} for too long",
            subject=f"the {what} of {self.joint or 'any joint'}, in either direction,",
            reaches=long,
            stays=f"{long}, and stays there",
            clears=f"{below} {at(self.drop_off)}",
            back=f"{what} back {below} {at(self.drop_off)}",
        )

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """Return where it begins to count, which is at a multiple of the setting."""
        if self.setting is not None:
            key, setting, scale = "setting", self.setting, self.from_multiple
        else:
            whole = rated_value(self.channel, rated)
            if whole is None or self.setting_rated is None:
                return ()
            key, setting, scale = "setting_rated", self.setting_rated, self.from_multiple * whole
        return (DragHandle(key=key, position=setting * scale, scale=scale, mirrored=True),)

    def curve_settings(self) -> CurveSettings:
        """See `LimitKind`."""
        setting = self.setting if self.setting is not None else self.setting_rated
        assert setting is not None, "the model has one of the two"
        return CurveSettings(
            curve=self.curve,
            setting=setting,
            tms=self.tms,
            from_multiple=self.from_multiple,
            flat_above=self.flat_above,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class InverseMemory(LimitMemory):
    """The integral after the newest reading."""

    last_ns: int | None = None
    multiple: float = 0.0
    """Of the setting, of the newest reading."""
    integral: float = 0.0


def measure_inverse_time(
    limit: InverseTime, memory: InverseMemory, series: Series
) -> tuple[Scores, InverseMemory]:
    """Return scores (1 where the integral is full, -1 where the current is gone) and the memory."""
    assert limit.setting is not None, "`in_channel_unit` has seen to it"
    readings = series.channel_series(limit.channel)
    hold_ns = series.hold_ns[limit.channel]
    multiple = np.abs(readings.values) / limit.setting
    score = np.where(multiple <= limit.gone_until, -1.0, 0.0)
    if len(multiple):
        memory = _integrated(
            limit, memory, readings.time_ns, multiple, hold_ns=hold_ns, score=score
        )
    scores = Scores(
        time_ns=readings.time_ns,
        batch_rows=readings.rows,
        score=score,
        reported=readings.values,
        pick_up=1.0,
        drop_off=-1.0,
        hold_ns=hold_ns,
    )
    return scores, memory


def _integrated(
    limit: InverseTime,
    memory: InverseMemory,
    time_ns: NDArray[np.int64],
    multiple: NDArray[np.float64],
    *,
    hold_ns: int,
    score: NDArray[np.float64],
) -> InverseMemory:
    """Set `score` to 1 where the integral is full; return the memory after the readings.

    The integral only rises above the setting and only falls below it, so within a run on one side
    it is a running sum that is clipped once, at the end. Traces that cross the setting often have
    short runs: there a plain loop is faster.
    """
    counts_from = limit.counts_from
    above = multiple >= counts_from
    above_before = np.concatenate(([memory.multiple >= counts_from], above[:-1]))
    last_ns, newest = int(time_ns[-1]), float(multiple[-1])
    idle = memory.integral == 0.0 and not above_before.any()
    if idle:
        return InverseMemory(last_ns=last_ns, multiple=newest)
    held_multiple = np.concatenate(([memory.multiple], multiple[:-1]))
    first_ns = time_ns[0] if memory.last_ns is None else memory.last_ns
    span_s = np.minimum(np.diff(time_ns, prepend=first_ns), hold_ns) * 1e-9
    share = span_s * _rate(limit, held_multiple, above_before)
    edges = np.flatnonzero(above_before[1:] != above_before[:-1]) + 1
    if len(above) < _SHORT * (len(edges) + 1):
        integral = _one_by_one(limit, memory.integral, share, multiple, score)
    else:
        bounds = [0, *edges.tolist(), len(above)]
        integral = memory.integral
        for begin, end in pairwise(bounds):
            if not above_before[begin] and integral == 0.0:
                continue
            chain = np.cumsum(np.concatenate(([integral], share[begin:end])))
            score[begin:end][chain[1:] >= _FULL] = 1.0
            integral = min(max(float(chain[-1]), 0.0), 1.0)
            if not above[end - 1]:
                if chain[-2] >= _FULL:
                    # Full before: this reading only shows that the current is back below.
                    score[end - 1] = _off(limit, float(multiple[end - 1]))
                if limit.reset == "instant" or integral >= _FULL:
                    integral = 0.0
    return InverseMemory(last_ns=last_ns, multiple=newest, integral=integral)


def _one_by_one(
    limit: InverseTime,
    integral: float,
    share: NDArray[np.float64],
    multiple: NDArray[np.float64],
    score: NDArray[np.float64],
) -> float:
    """Do what `_integrated` does, reading by reading; return the integral."""
    counts_from, instant = limit.counts_from, limit.reset == "instant"
    parts = zip(share.tolist(), multiple.tolist(), strict=True)
    for index, (part, size) in enumerate(parts):
        high = size >= counts_from
        before, integral = integral, min(max(integral + part, 0.0), 1.0)
        if integral >= _FULL and (high or before < _FULL):
            score[index] = 1.0
        if not high and (instant or integral >= _FULL):
            integral = 0.0
    return integral


def _off(limit: InverseTime, multiple: float) -> float:
    return -1.0 if multiple <= limit.gone_until else 0.0


def _rate(
    limit: InverseTime, multiple: NDArray[np.float64], above: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return the rate of the integral at each multiple, in 1/s, shape (n,)."""
    rate = np.zeros(len(multiple))
    lasts_s = inverse_operate_s(
        CURVES[limit.curve], multiple[above], tms=limit.tms, flat_above=limit.flat_above
    )
    rate[above] = 1.0 / lasts_s
    if limit.reset == "dependent":
        assert limit.full_reset_s is not None, "_fits has seen to it"
        back = ~above & (multiple < 1.0)
        # t_reset = TMS * t_r / (1 - M^2): see curves.py.
        rate[back] = (multiple[back] ** 2 - 1.0) / (limit.tms * limit.full_reset_s)
    return rate
