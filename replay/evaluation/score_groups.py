"""Limits that make the same scores of a trace, and differ only in what these must reach. Pure.

Levels on one channel, delays of any kind, the shares of a thermal image: the costly part is worked
out once for all of them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import fresh_memory, measured
from logger.limits.frozen import Frozen
from logger.limits.inverse_time import InverseTime
from logger.limits.level import Level, Outside, RatedLevel
from logger.limits.limit import OfJoint
from logger.limits.rate import Rate
from logger.limits.series import Series
from logger.limits.silence import Silence
from logger.limits.thermal import Thermal
from logger.limits.touch import Touch
from logger.limits.tracking import Tracking

__all__ = ["Scored", "Set", "Shared", "scores_of", "shared", "thresholds"]

Scored = Level | RatedLevel | Outside | InverseTime | Thermal | Rate | Tracking | Frozen | Touch
"""Every kind but silence, which makes no scores of readings."""

_ALIKE: Final = frozenset(("name", "severity", "joint", "on_delay_s", "off_delay_s"))
_ALSO: Final[Mapping[type[OfJoint], frozenset[str]]] = {
    Level: frozenset(("above", "below", "drop_off")),
    Touch: frozenset(("contact_s", "above", "drop_off")),
    Rate: frozenset(("rise_per_min", "drop_off_per_min")),
    Tracking: frozenset(("above", "drop_off")),
    Thermal: frozenset(("above_percent", "drop_off_percent")),
}
"""The keys that a kind's scores do not depend on, beside the delays."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Set:
    """One limit, and at which of its scores it picks up and drops off."""

    place: int
    """Among the limits that were given."""
    limit: Scored
    pick_up: float
    drop_off: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """Limits of the same scores."""

    measure: Scored
    """One of them, to make the scores with."""
    sets: tuple[Set, ...]


def shared(
    limits: Iterable[tuple[int, OfJoint]], hold_ns: Mapping[str, int], *, apart: bool = False
) -> list[Shared]:
    """Return limits (with their places) in groups of the same scores; silences are left out.

    `apart`: none with a frozen reading, whose memory depends on whether its alert stood where a
    recorder went on.
    """
    groups: dict[str, list[Set]] = {}
    for place, limit in limits:
        if isinstance(limit, Silence):
            continue
        pick_up, drop_off = thresholds(limit, hold_ns)
        one = Set(place=place, limit=limit, pick_up=pick_up, drop_off=drop_off)
        alone = f"{place} " if apart and isinstance(limit, Frozen) else ""
        groups.setdefault(f"{alone}{scores_of(limit)}", []).append(one)
    return [Shared(measure=sets[0].limit, sets=tuple(sets)) for sets in groups.values()]


def thresholds(limit: Scored, hold_ns: Mapping[str, int]) -> tuple[float, float]:
    """Return pick-up and drop-off of a limit, as its own measure says them."""
    nothing = ReadingBatch(
        joint="", time_ns=np.empty(0, np.int64), position_segment=np.empty(0, np.int32), columns={}
    )
    scores, _ = measured(limit, fresh_memory(limit), Series(nothing, hold_ns))
    return scores.pick_up, scores.drop_off


def scores_of(limit: OfJoint) -> str:
    """Return a text that is the same for limits of the same scores."""
    way = f"{limit.rising}" if isinstance(limit, Level) else ""
    left_out = _ALIKE | _ALSO.get(type(limit), frozenset())
    return f"{type(limit).__name__} {way} {limit.model_dump_json(exclude=set(left_out))}"
