"""Forecast of a temperature: how likely it reaches a level soon, by the joint's model of heat.

The model is `thermal` of the joint in the bench file; on a joint without one the limit is not. Its
observer and its forecast are those that Live shows (logger/heat/), every ten seconds: the score is
the share of futures that reach the level in time. It is computed from the readings alone, so live
and afterwards it is the same.

Gaps: a load that is not known for half a minute begins the observer anew, and there is no score
until it has followed the joint for a minute; delays run on over short times without one, else start
again (logger/limits/gaps.py); an alert stays. After a restart of the recorder it begins anew.
"""

from collections.abc import Mapping
from typing import ClassVar, Literal

from pydantic import Field, model_validator

from logger.heat.fitted import FittedHeat
from logger.heat.forecast import draw_futures, upper_degC
from logger.heat.observer import STEP_S, resolution_K
from logger.heat.track import KNOWN_STEPS, HeatTrack
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.heat_limit import STEP_NS, HeatLimit, HeatMemory
from logger.limits.kind import FiniteNumber, LimitForm
from logger.limits.levels import DragHandle, drop_off_handle
from logger.limits.phrases import (
    Phrases,
    clear_amount,
    format_channel_value,
    format_number,
    format_span,
)
from logger.limits.scores import LimitMemory, Scores
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["Forecast"]


class Forecast(HeatLimit):
    """A temperature must not be likely to reach a level soon."""

    kind: Literal["forecast"] = "forecast"
    above: FiniteNumber
    within_s: float = Field(gt=0, le=3600)
    probability_percent: float = Field(default=50.0, gt=0, le=100)
    drop_off_percent: float | None = Field(default=None, ge=0, le=100)

    measure_words: ClassVar[str] = " forecast"
    threshold_keys: ClassVar[frozenset[str]] = frozenset(
        ("probability_percent", "drop_off_percent")
    )
    form: ClassVar[LimitForm] = LimitForm(
        key="forecast",
        words="forecast",
        blank={"above": 80.0, "within_s": 600.0, "probability_percent": 50.0},
        keys={
            "load": ("load of its model", ""),
            "above": ("reaches", "channel"),
            "within_s": ("within", "s"),
            "probability_percent": ("picks up at a probability of", "%"),
            "drop_off_percent": ("drops off at", "%"),
        },
        drop_offs={"probability_percent": "drop_off_percent"},
    )
    example: ClassVar[str] = """\
# Likely to reach a level soon, by the joint's model of heat (`thermal` in the bench file, put there
# by `dutytrace heat REC --write-bench BENCH`); on joints without one it is not.
[[limit]]
name                = "hot-soon"
kind                = "forecast"
severity            = "warning"
channel             = "temperature_housing_degC"
above               = 80.0
within_s            = 600.0
probability_percent = 50.0
drop_off_percent    = 30.0
"""

    @model_validator(mode="after")
    def _fits(self) -> "Forecast":
        if self.drop_off_percent is not None and self.drop_off_percent > self.probability_percent:
            raise SettingError(
                "drop_off_percent",
                found=f"{self.drop_off_percent:g}",
                expected=f"at most {self.probability_percent:g}, the probability_percent of this "
                "limit",
            )
        return self

    @property
    def reported_channel(self) -> str:
        """See `LimitKind`; a probability has a unit of its own."""
        return ""

    @property
    def pick_up_percent(self) -> float:
        """See `HeatLimit`."""
        return self.probability_percent

    @property
    def least_percent(self) -> float:
        """See `HeatLimit`."""
        return self.probability_percent if self.drop_off_percent is None else self.drop_off_percent

    @property
    def window_s(self) -> float:
        """See `ScoredLimit`; what the observer needs before it says anything."""
        return float((KNOWN_STEPS + 1) * STEP_S)

    def scores_hold_ns(self, hold_ns: Mapping[str, int]) -> int:
        """See `ScoredLimit`; a forecast comes every ten seconds, with the row behind them."""
        return 2 * STEP_NS + max(hold_ns[self.channel], hold_ns[self.load])

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return HeatMemory()

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, HeatMemory), "`initial_memory` gave it"
        steps, track = self.followed_steps(memory.track, series)
        heat = self._heat
        ended = {
            end_ns: self._probability(heat, at_step)
            for end_ns, at_step in steps
            if heat is not None and at_step.is_known
        }
        return self.scores_at(ended, series), HeatMemory(track=track)

    def _probability(self, heat: FittedHeat, track: HeatTrack) -> float:
        state, history, node = track.state, track.history, heat.node_of(self.channel)
        assert state is not None, "it is known"
        assert history is not None, "it is known"
        assert node is not None, "`with_heat` has seen to it"
        count_K = resolution_K(state, self.channel)  # noqa: N806 - K is a unit
        if upper_degC(heat, state, history, node, self.within_s) < self.above - 2.0 * count_K:
            return 0.0
        futures = draw_futures(heat, state, history)[node]
        return futures.probability_within(self.above, self.within_s, count_K=count_K)

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        what = channel_named(self.channel).label
        level = format_channel_value(self.channel, self.above, displays=displays)
        likely = f"{format_number(self.probability_percent, 1)} %"
        least = self.least_percent
        at_pick_up = least == self.probability_percent
        less = clear_amount(f"{format_number(least, 1)} %", at_pick_up=at_pick_up)
        soon = f"{level} within {format_span(self.within_s)}"
        return Phrases(
            label=f"{what} likely to reach {soon} ({likely})",
            subject=f"the {what} of {self.joint or 'any joint with a model of heat'}",
            reaches=f"is as likely as {likely} to reach {soon}",
            stays=f"stays as likely as {likely} to reach {soon}",
            clears=f"at {less}",
            back=f"{what} likely to reach {soon} by {less}",
        )

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        pick_up = DragHandle(
            key="probability_percent", position=self.probability_percent * 0.01, scale=0.01
        )
        return pick_up, *drop_off_handle("drop_off_percent", self.drop_off_percent, scale=0.01)
