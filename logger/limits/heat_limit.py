"""A limit on what a joint's model of heat tells: followed in steps, scored at some of them. Pure.

The model is `thermal` of the joint in the bench file; on a joint without one the limit is not.
"""

import pickle
from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import ClassVar, Final, Literal, Self

import numpy as np
from pydantic import PrivateAttr

from logger.heat.fitted import FittedHeat
from logger.heat.observer import STEP_S
from logger.heat.track import HeatTrack, advance_track
from logger.joint.quantities import Display
from logger.limits.kind import SummaryStyle
from logger.limits.phrases import format_number
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import CalmBounds, LimitMemory, Scores
from logger.limits.series import Series

__all__ = ["STEP_NS", "HeatLimit", "HeatMemory", "StepEnd"]

STEP_NS: Final = STEP_S * 1_000_000_000
StepEnd = tuple[int, HeatTrack]
"""When a step ended, and the joint's heat as it was followed to there."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatMemory(LimitMemory):
    """The joint's heat as it was followed to the newest reading."""

    track: HeatTrack = field(default_factory=HeatTrack)

    def __eq__(self, other: object) -> bool:
        """Whether all that is remembered is the same, to the bit."""
        if type(other) is not type(self):
            return NotImplemented
        own, others = (
            tuple(getattr(one, item.name) for item in fields(self)) for one in (self, other)
        )
        same = all(one is another for one, another in zip(own, others, strict=True))
        return same or pickle.dumps(own) == pickle.dumps(others)

    def __hash__(self) -> int:
        return hash(self.track.seconds.over_until)


class HeatLimit(ScoredLimit):
    """A limit on what the model of a joint's heat tells."""

    channel: Literal["temperature_housing_degC", "temperature_winding_degC"] = (
        "temperature_housing_degC"
    )
    load: Literal["current_A", "torque_Nm"] = "current_A"
    """The load of the joint's model."""

    _heat: FittedHeat | None = PrivateAttr(default=None)

    measure_unit: ClassVar[Literal["share"]] = "share"
    bridges_window: ClassVar[bool] = False
    scores_any_row: ClassVar[bool] = True

    @property
    @abstractmethod
    def pick_up_percent(self) -> float:
        """The score that raises it, in percent."""

    @property
    @abstractmethod
    def least_percent(self) -> float:
        """The score below which it ends, in percent."""

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
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {
            channel: "rms" if channel in {self.load, "speed_rad_s"} else "mean"
            for _, channel in self.needed_channels
        }

    def followed_steps(self, track: HeatTrack, series: Series) -> tuple[list[StepEnd], HeatTrack]:
        """Return the steps that end within a batch, and the track behind it."""
        batch, heat = series.batch, self._heat
        if heat is None or not len(batch):
            return [], track
        found = {name: series.channel_series(name) for name in heat.channels}
        steps, track = advance_track(
            heat,
            track,
            {name: (one.time_ns, one.values) for name, one in found.items()},
            hold_ns=series.hold_ns,
            until_ns=int(batch.time_ns[-1]),
        )
        return list(steps), track

    def scores_at(self, ended: Mapping[int, float], series: Series) -> Scores:
        """Return scores by the end of their steps, each at the row that is behind it."""
        time_ns = series.batch.time_ns
        rows = {int(np.searchsorted(time_ns, at_ns)): score for at_ns, score in ended.items()}
        at = np.array([*rows], np.intp)
        share = np.array([*rows.values()], np.float64)
        return Scores(
            time_ns=time_ns[at],
            batch_rows=at,
            score=share,
            reported=share,
            pick_up=self.pick_up_percent / 100.0,
            drop_off=self.least_percent / 100.0,
            hold_ns=self.scores_hold_ns(series.hold_ns),
        )

    def calm_values(
        self, memory: LimitMemory | None, *, active: bool, until_ns: int
    ) -> CalmBounds | None:
        """See `ScoredLimit`; between two steps nothing is compared."""
        assert isinstance(memory, HeatMemory), "`initial_memory` gave it"
        over = memory.track.seconds.over_until
        if over is None or until_ns >= (over // STEP_S + 1) * STEP_NS:
            return None
        return {}

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return f"{format_number(value * 100, 0)} %"
