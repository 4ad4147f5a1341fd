"""Cooling that has become worse, by the joint's model of heat and not by its temperature.

By how many percent the resistance to the ambient rose within a window, at most over the whole of it
(logger/heat/cooling.py); once a minute, where the trace tells it to a third of the level. On a
joint without `thermal` in the bench file the limit is not. A joint that makes more heat from the
same load looks alike: `dutytrace heat` tells the two apart.

Gaps: a load that is not known for half a minute begins the observer and the window anew; delays run
on over short times without a score, else start again (logger/limits/gaps.py); an alert stays.
"""

import pickle
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Final, Literal, Self

import numpy as np
from pydantic import Field, PrivateAttr, model_validator

from logger.heat.cooling import CoolingStep, estimate_cooling
from logger.heat.fitted import FittedHeat
from logger.heat.observer import STEP_S, resolution_K
from logger.heat.track import KNOWN_STEPS, HeatTrack, advance_track
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.quantities import Display
from logger.limits.kind import LimitForm, PositiveNumber, SummaryStyle
from logger.limits.levels import DragHandle, drop_off_handle
from logger.limits.phrases import Phrases, clear_amount, format_number, format_span
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import CalmBounds, LimitMemory, Scores
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["Cooling", "CoolingMemory"]

_STEP_NS: Final = STEP_S * 1_000_000_000
EVERY_STEPS: Final = 6
"""A score a minute."""
LEAST_STEPS: Final = 18
"""Three minutes of a window, before which nothing is said."""
KNOWN_SHARE: Final = 1.0 / 3.0
"""Of the level: the standard uncertainty with which a change counts."""


class Cooling(ScoredLimit):
    """The cooling must not become so much worse within a window."""

    kind: Literal["cooling"] = "cooling"
    channel: Literal["temperature_housing_degC", "temperature_winding_degC"] = (
        "temperature_housing_degC"
    )
    load: Literal["current_A", "torque_Nm"] = "current_A"
    """The load of the joint's model."""
    worse_percent: PositiveNumber
    over_s: float = Field(default=1200.0, ge=300, le=14_400)
    drop_off_percent: float | None = Field(default=None, ge=0)

    _heat: FittedHeat | None = PrivateAttr(default=None)

    measure_unit: ClassVar[Literal["share"]] = "share"
    measure_words: ClassVar[str] = " cooling"
    bridges_window: ClassVar[bool] = False
    scores_any_row: ClassVar[bool] = True
    form: ClassVar[LimitForm] = LimitForm(
        key="cooling",
        words="cooling worse",
        blank={"worse_percent": 25.0, "over_s": 1200.0},
        keys={
            "load": ("load of its model", ""),
            "worse_percent": ("worse by", "%"),
            "over_s": ("within", "s"),
            "drop_off_percent": ("drops off at", "%"),
        },
        drop_offs={"worse_percent": "drop_off_percent"},
    )
    example: ClassVar[str] = """\
# The cooling has become worse (a fan, a filter, a contact), by the joint's model of heat: long
# before it is hot. On joints without `thermal` in the bench file it is not.
[[limit]]
name             = "cooling-worse"
kind             = "cooling"
severity         = "warning"
channel          = "temperature_housing_degC"
worse_percent    = 25.0
over_s           = 1200.0
drop_off_percent = 10.0
"""

    @model_validator(mode="after")
    def _fits(self) -> "Cooling":
        if self.drop_off_percent is not None and self.drop_off_percent > self.worse_percent:
            raise SettingError(
                "drop_off_percent",
                found=f"{self.drop_off_percent:g}",
                expected=f"at most {self.worse_percent:g}, the worse_percent of this limit",
            )
        return self

    def with_heat(self, heat: FittedHeat | None) -> Self | None:
        """See `JointLimit`; None where the model is not of this temperature and this load."""
        if heat is None or heat.load_channel != self.load or self.channel not in heat.channels:
            return None
        limit = self.model_copy()
        limit._heat = heat
        return limit

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`; once its joint is known, all that the joint's model looks at."""
        first = (("channel", self.channel), ("load", self.load))
        if self._heat is None:
            return first
        known = {channel for _, channel in first}
        return (*first, *(("channel", one) for one in self._heat.channels if one not in known))

    @property
    def window_s(self) -> float:
        """See `ScoredLimit`; what it needs before it says anything."""
        return float((KNOWN_STEPS + LEAST_STEPS + EVERY_STEPS) * STEP_S)

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {
            channel: "rms" if channel in {self.load, "speed_rad_s"} else "mean"
            for _, channel in self.needed_channels
        }

    def scores_hold_ns(self, hold_ns: Mapping[str, int]) -> int:
        """See `ScoredLimit`; a score comes every minute, with the row behind it."""
        return (EVERY_STEPS + 1) * _STEP_NS + max(hold_ns[self.channel], hold_ns[self.load])

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return CoolingMemory()

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, CoolingMemory), "`initial_memory` gave it"
        rows: dict[int, float] = {}
        batch, heat = series.batch, self._heat
        track, window = memory.track, memory.window
        if heat is not None and len(batch):
            found = {name: series.channel_series(name) for name in heat.channels}
            steps, track = advance_track(
                heat,
                memory.track,
                {name: (one.time_ns, one.values) for name, one in found.items()},
                hold_ns=series.hold_ns,
                until_ns=int(batch.time_ns[-1]),
            )
            for end_ns, at_step in steps:
                window = self._window_after(window, at_step)
                worse = self._worse(heat, window, at_step)
                if worse is not None:
                    rows[int(np.searchsorted(batch.time_ns, end_ns))] = worse
        at = np.array([*rows], np.intp)
        share = np.array([*rows.values()], np.float64)
        pick_up, drop_off = self.worse_percent / 100.0, self.drop_off_percent
        scores = Scores(
            time_ns=batch.time_ns[at],
            batch_rows=at,
            score=share,
            reported=share,
            pick_up=pick_up,
            drop_off=pick_up if drop_off is None else drop_off / 100.0,
            hold_ns=self.scores_hold_ns(series.hold_ns),
        )
        return scores, CoolingMemory(track=track, window=window)

    def _window_after(
        self, window: tuple[CoolingStep, ...], track: HeatTrack
    ) -> tuple[CoolingStep, ...]:
        """Return the window with a step behind it; empty while the joint is not followed."""
        state, step = track.state, track.step
        if state is None or step is None or state.steps < KNOWN_STEPS or state.unknown_steps:
            return ()
        if window and window[-1].step.number != step.number - 1:
            window = ()
        mean = tuple(state.mean_degC[0].tolist())
        return (*window, CoolingStep(step, mean))[-(round(self.over_s / STEP_S) + 1) :]

    def _worse(
        self, heat: FittedHeat, window: tuple[CoolingStep, ...], track: HeatTrack
    ) -> float | None:
        """Return by which share the cooling is worse; None where nothing is to be said."""
        if len(window) <= LEAST_STEPS or window[-1].step.number % EVERY_STEPS:
            return None
        count_K = resolution_K(track.state, self.channel)  # noqa: N806 - K is a unit
        change = estimate_cooling(heat, window, self.channel, count_K=count_K)
        if change is None or change.log_uncertainty > KNOWN_SHARE * self.worse_percent / 100.0:
            return None
        return change.factor - 1.0

    def calm_values(
        self, memory: LimitMemory | None, *, active: bool, until_ns: int
    ) -> CalmBounds | None:
        """See `ScoredLimit`; between two steps nothing is compared."""
        assert isinstance(memory, CoolingMemory), "`initial_memory` gave it"
        over = memory.track.seconds.over_until
        if over is None or until_ns >= (over // STEP_S + 1) * _STEP_NS:
            return None
        return {}

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        level = f"{format_number(self.worse_percent, 1)} %"
        drop_off = self.drop_off_percent
        least = self.worse_percent if drop_off is None else drop_off
        less = clear_amount(f"{format_number(least, 1)} %", at_pick_up=least == self.worse_percent)
        over = format_span(self.over_s)
        return Phrases(
            label=f"cooling worse by {level} within {over}",
            subject=f"the cooling of {self.joint or 'any joint with a model of heat'}",
            reaches=f"is worse by {level} within {over}, or the same load makes more heat",
            stays=f"stays worse by {level}, or the same load makes more heat,",
            clears=f"at {less}",
            back=f"cooling worse by {less}",
        )

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return f"{format_number(value * 100, 0)} %"

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        pick_up = DragHandle(key="worse_percent", position=self.worse_percent * 0.01, scale=0.01)
        return pick_up, *drop_off_handle("drop_off_percent", self.drop_off_percent, scale=0.01)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoolingMemory(LimitMemory):
    """The joint's heat as it was followed, and the steps of the window."""

    track: HeatTrack = field(default_factory=HeatTrack)
    window: tuple[CoolingStep, ...] = ()

    def __eq__(self, other: object) -> bool:
        """Whether all that is remembered is the same, to the bit."""
        if not isinstance(other, CoolingMemory):
            return NotImplemented
        same = self.track is other.track and self.window is other.window
        return same or pickle.dumps((self.track, self.window)) == pickle.dumps(
            (other.track, other.window)
        )

    def __hash__(self) -> int:
        return hash(self.track.seconds.over_until)
