"""A change that was found, with its rivals: whether it is large enough to be told. Pure."""

import math
from dataclasses import dataclass
from typing import Any, Final

from logger.store.layout.manifest import iso_utc
from replay.heat.dated_change import ChangeCause

__all__ = ["RIVAL_GAIN", "FoundChange"]

LEAST_FACTOR: Final = 1.15
LEAST_STEP_K: Final = 2.0
"""Smaller ones are not told: loads that are sampled and rooms that drift look like that."""
RIVAL_GAIN: Final = 6.0
"""A cause that lies no further behind the best is named beside it: the trace cannot tell them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundChange:
    """A change that was found."""

    cause: ChangeCause
    at_s: tuple[float, float, float]
    """Since the first step of the trace: likeliest, and 95 % interval."""
    size: tuple[float, float, float]
    """A factor, or kelvins of the ambient: likeliest, and 95 % interval."""
    gain: float
    """Twice the logarithm by which the readings are likelier with it than without."""
    rivals: tuple[tuple[ChangeCause, float], ...]
    """The other causes, each at its own best date, with their gains; the best first."""

    @property
    def is_large(self) -> bool:
        """Whether it is large enough to be told."""
        if self.cause is ChangeCause.AMBIENT:
            return abs(self.size[0]) >= LEAST_STEP_K
        return abs(math.log(self.size[0])) >= math.log(LEAST_FACTOR)

    @property
    def is_cause_known(self) -> bool:
        """Whether no rival is nearly as likely."""
        return all(self.gain - gain > RIVAL_GAIN for _, gain in self.rivals)

    def to_json(self, start_ns: int) -> dict[str, Any]:
        """Return it as a JSON object; `start_ns`: of the trace."""
        at, first, last = (iso_utc(start_ns + round(one * 1e9)) for one in self.at_s)
        return {
            "at": at,
            "at_first": first,
            "at_last": last,
            "cause": self.cause.value,
            "cause_known": self.is_cause_known,
            "size": list(self.size),
            "gain": self.gain,
            "rivals": [{"cause": cause.value, "gain": gain} for cause, gain in self.rivals],
        }
