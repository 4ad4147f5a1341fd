"""How many of the last forecasts held: judged at clock times, whatever came of them. Pure.

Every ten minutes of the clock the forecast made then is kept, for each level: the band within which
the level is reached, "not within the hour" included. An hour later at the latest it is known
whether the first reading at the level came within the band. Forecasts are not chosen by what came.
"""
# ruff: noqa: N815 - units are written as units are: K is a capital

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from logger.heat.forecast import HORIZON_S, Passage

__all__ = ["EVERY_S", "LAST", "KeptForecast", "Outcomes"]

EVERY_S: Final = 600
LAST: Final = 20


@dataclass(frozen=True, slots=True)
class KeptForecast:
    """A forecast whose outcome is not known yet."""

    made_s: int
    """Second of the recording's clock."""
    channel: str
    level_degC: float
    soonest_s: float
    latest_s: float
    """inf: the band reaches beyond the hour."""

    def holds(self, reached_s: float) -> bool:
        """Whether the level was reached within the band; `reached_s`: inf, not within the hour."""
        return self.soonest_s <= reached_s <= self.latest_s


@dataclass(frozen=True, slots=True)
class Outcomes:
    """The last forecasts of a joint that are judged, and those that are not yet."""

    judged: tuple[bool, ...] = ()
    """Whether each of the last held, in order."""
    waiting: tuple[KeptForecast, ...] = ()

    @property
    def held(self) -> int:
        """How many of the judged ones held."""
        return sum(self.judged)

    def after_step(self, end_s: int, highest: Mapping[str, float]) -> "Outcomes":
        """Return what a step tells; `highest`: channel -> its highest reading in the step."""
        judged, waiting = list(self.judged), []
        for one in self.waiting:
            since_s = float(end_s - one.made_s)
            if highest.get(one.channel, -math.inf) >= one.level_degC:
                judged.append(one.holds(since_s) or one.holds(max(since_s - 10.0, 0.0)))
            elif since_s > HORIZON_S:
                judged.append(one.holds(math.inf))
            else:
                waiting.append(one)
        return Outcomes(judged=tuple(judged[-LAST:]), waiting=tuple(waiting))

    def with_forecast(self, end_s: int, channel: str, passages: Sequence[Passage]) -> "Outcomes":
        """Return it with what was forecast at `end_s`; only at clock times something is kept.

        A level that is reached already is no forecast.
        """
        if end_s % EVERY_S:
            return self
        kept = tuple(
            KeptForecast(end_s, channel, one.level_degC, one.soonest_s, one.latest_s)
            for one in passages
            if one.latest_s > 0.0
        )
        return replace(self, waiting=self.waiting + kept)

    def after_gap(self) -> "Outcomes":
        """Return it without those whose outcome cannot be known any more."""
        return replace(self, waiting=())
