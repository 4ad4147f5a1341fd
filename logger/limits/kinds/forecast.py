"""Forecast of a temperature: how likely it reaches a level soon, by the joint's model of heat.

The model is `thermal` of the joint in the bench file; on a joint without one the limit is not. Its
observer and its forecast are those that Live shows (logger/heat/), every ten seconds: the score is
the share of futures that reach the level in time. It is computed from the readings alone, so live
and afterwards it is the same.

Gaps: a load that is not known for half a minute begins the observer anew, and there is no score
until it has followed the joint for a minute; delays run on over short times without one, else start
again (logger/limits/gaps.py); an alert stays. After a restart of the recorder it begins anew.
"""

import pickle
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Final, Literal, Self

import numpy as np
from pydantic import Field, PrivateAttr, model_validator

from logger.heat.fitted import FittedHeat
from logger.heat.forecast import draw_futures, upper_degC
from logger.heat.observer import STEP_S, resolution_K
from logger.heat.track import KNOWN_STEPS, HeatTrack, advance_track
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.kind import FiniteNumber, LimitForm, SummaryStyle
from logger.limits.levels import DragHandle, drop_off_handle
from logger.limits.phrases import (
    Phrases,
    clear_amount,
    format_channel_value,
    format_number,
    format_span,
)
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import CalmBounds, LimitMemory, Scores
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["Forecast", "ForecastMemory"]

_STEP_NS: Final = STEP_S * 1_000_000_000


class Forecast(ScoredLimit):
    """A temperature must not be likely to reach a level soon."""

    kind: Literal["forecast"] = "forecast"
    channel: Literal["temperature_housing_degC", "temperature_winding_degC"] = (
        "temperature_housing_degC"
    )
    load: Literal["current_A", "torque_Nm"] = "current_A"
    """The load of the joint's model."""
    above: FiniteNumber
    within_s: float = Field(gt=0, le=3600)
    probability_percent: float = Field(default=50.0, gt=0, le=100)
    drop_off_percent: float | None = Field(default=None, ge=0, le=100)

    _heat: FittedHeat | None = PrivateAttr(default=None)

    measure_unit: ClassVar[Literal["share"]] = "share"
    measure_words: ClassVar[str] = " forecast"
    bridges_window: ClassVar[bool] = False
    scores_any_row: ClassVar[bool] = True
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

    def with_heat(self, heat: FittedHeat | None) -> Self | None:
        """See `JointLimit`; None where the model is not of this temperature and this load."""
        if heat is None or heat.load_channel != self.load or self.channel not in heat.channels:
            return None
        limit = self.model_copy()
        limit._heat = heat
        return limit

    @property
    def reported_channel(self) -> str:
        """See `LimitKind`; a probability has a unit of its own."""
        return ""

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
        """See `ScoredLimit`; what the observer needs before it says anything."""
        return float((KNOWN_STEPS + 1) * STEP_S)

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {
            channel: "rms" if channel in {self.load, "speed_rad_s"} else "mean"
            for _, channel in self.needed_channels
        }

    def scores_hold_ns(self, hold_ns: Mapping[str, int]) -> int:
        """See `ScoredLimit`; a forecast comes every ten seconds, with the row behind them."""
        return 2 * _STEP_NS + max(hold_ns[self.channel], hold_ns[self.load])

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return ForecastMemory()

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """See `ScoredLimit`."""
        assert isinstance(memory, ForecastMemory), "`initial_memory` gave it"
        rows: dict[int, float] = {}
        batch = series.batch
        heat, track = self._heat, memory.track
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
                if at_step.is_known:
                    row = int(np.searchsorted(batch.time_ns, end_ns))
                    rows[row] = self._probability(heat, at_step)
        at = np.array([*rows], np.intp)
        share = np.array([*rows.values()], np.float64)
        pick_up = self.probability_percent / 100.0
        drop_off = self.drop_off_percent
        scores = Scores(
            time_ns=batch.time_ns[at],
            batch_rows=at,
            score=share,
            reported=share,
            pick_up=pick_up,
            drop_off=pick_up if drop_off is None else drop_off / 100.0,
            hold_ns=self.scores_hold_ns(series.hold_ns),
        )
        return scores, ForecastMemory(track=track)

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

    def calm_values(
        self, memory: LimitMemory | None, *, active: bool, until_ns: int
    ) -> CalmBounds | None:
        """See `ScoredLimit`; between two steps nothing is compared."""
        assert isinstance(memory, ForecastMemory), "`initial_memory` gave it"
        over = memory.track.seconds.over_until
        if over is None or until_ns >= (over // STEP_S + 1) * _STEP_NS:
            return None
        return {}

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        what = channel_named(self.channel).label
        level = format_channel_value(self.channel, self.above, displays=displays)
        likely = f"{format_number(self.probability_percent, 1)} %"
        drop_off = self.drop_off_percent
        least = self.probability_percent if drop_off is None else drop_off
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

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return f"{format_number(value * 100, 0)} %"

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        pick_up = DragHandle(
            key="probability_percent", position=self.probability_percent * 0.01, scale=0.01
        )
        return pick_up, *drop_off_handle("drop_off_percent", self.drop_off_percent, scale=0.01)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ForecastMemory(LimitMemory):
    """The joint's heat as it was followed to the newest reading."""

    track: HeatTrack = field(default_factory=HeatTrack)

    def __eq__(self, other: object) -> bool:
        """Whether all that is remembered is the same, to the bit."""
        if not isinstance(other, ForecastMemory):
            return NotImplemented
        return self.track is other.track or pickle.dumps(self.track) == pickle.dumps(other.track)

    def __hash__(self) -> int:
        return hash(self.track.seconds.over_until)
