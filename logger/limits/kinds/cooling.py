"""Cooling that has become worse, by the joint's model of heat and not by its temperature.

By how many percent the resistance to the ambient rose within a window, at most over the whole of it
(logger/heat/cooling.py); once a minute, where the trace tells it to a third of the level. On a
joint without `thermal` in the bench file the limit is not. A joint that makes more heat from the
same load looks alike: `dutytrace heat` tells the two apart.

Gaps: a load that is not known for half a minute begins the observer and the window anew; delays run
on over short times without a score, else start again (logger/limits/gaps.py); an alert stays.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Final, Literal

from pydantic import Field, model_validator

from logger.heat.cooling import CoolingStep, estimate_cooling
from logger.heat.fitted import FittedHeat
from logger.heat.observer import STEP_S, resolution_K
from logger.heat.track import KNOWN_STEPS, HeatTrack
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.quantities import Display
from logger.limits.heat_limit import STEP_NS, HeatLimit, HeatMemory
from logger.limits.kind import LimitForm, PositiveNumber
from logger.limits.levels import DragHandle, drop_off_handle
from logger.limits.phrases import Phrases, clear_amount, format_number, format_span
from logger.limits.scores import LimitMemory, Scores
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["Cooling", "CoolingMemory"]

EVERY_STEPS: Final = 6
"""A score a minute."""
LEAST_STEPS: Final = 18
"""Three minutes of a window, before which nothing is said."""
KNOWN_SHARE: Final = 1.0 / 3.0
"""Of the level: the standard uncertainty with which a change counts."""


class Cooling(HeatLimit):
    """The cooling must not become so much worse within a window."""

    kind: Literal["cooling"] = "cooling"
    worse_percent: PositiveNumber
    over_s: float = Field(default=1200.0, ge=300, le=14_400)
    drop_off_percent: float | None = Field(default=None, ge=0)

    measure_words: ClassVar[str] = " cooling"
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

    @property
    def pick_up_percent(self) -> float:
        """See `HeatLimit`."""
        return self.worse_percent

    @property
    def least_percent(self) -> float:
        """See `HeatLimit`."""
        return self.worse_percent if self.drop_off_percent is None else self.drop_off_percent

    @property
    def window_s(self) -> float:
        """See `ScoredLimit`; what it needs before it says anything."""
        return float((KNOWN_STEPS + LEAST_STEPS + EVERY_STEPS) * STEP_S)

    def scores_hold_ns(self, hold_ns: Mapping[str, int]) -> int:
        """See `ScoredLimit`; a score comes every minute, with the row behind it."""
        return (EVERY_STEPS + 1) * STEP_NS + max(hold_ns[self.channel], hold_ns[self.load])

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return CoolingMemory()

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, CoolingMemory), "`initial_memory` gave it"
        steps, track = self.followed_steps(memory.track, series)
        window, heat = memory.window, self._heat
        ended: dict[int, float] = {}
        for end_ns, at_step in steps:
            assert heat is not None, "without it there are no steps"
            window = self._window_after(window, at_step)
            worse = self._worse(heat, window, at_step)
            if worse is not None:
                ended[end_ns] = worse
        return self.scores_at(ended, series), CoolingMemory(track=track, window=window)

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

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        level = f"{format_number(self.worse_percent, 1)} %"
        least = self.least_percent
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

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        pick_up = DragHandle(key="worse_percent", position=self.worse_percent * 0.01, scale=0.01)
        return pick_up, *drop_off_handle("drop_off_percent", self.drop_off_percent, scale=0.01)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoolingMemory(HeatMemory):
    """The joint's heat as it was followed, and the steps of the window."""

    window: tuple[CoolingStep, ...] = ()
