"""A result with its uncertainty: value, unit, 95 % interval and how that was made. Pure."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

__all__ = ["KNOWN_FACTOR", "UNKNOWN_FACTOR", "IntervalMethod", "Quantity", "QuantityName"]

UNKNOWN_FACTOR: Final = 4.0
"""An interval whose ends differ by more says that the trace does not know the quantity."""
UNKNOWN_WIDTH_K: Final = 10.0
"""The same of a temperature, whose zero is no end of it."""
KNOWN_FACTOR: Final = 1.5
"""Below it the quantity is known, and is never called unknown."""


class QuantityName(StrEnum):
    """What is told of a joint's heat."""

    HOUSING_RISE = "housing_rise"
    HOUSING_TIME = "housing_time"
    WINDING_RISE = "winding_rise"
    WINDING_TIME = "winding_time"
    STANDBY_RISE = "standby_rise"
    SPEED_RISE = "speed_rise"
    WINDING_LAG = "winding_lag"
    HOUSING_LAG = "housing_lag"
    HOUSING_RESISTANCE = "housing_resistance"
    HOUSING_CAPACITY = "housing_capacity"
    WINDING_RESISTANCE = "winding_resistance"
    WINDING_CAPACITY = "winding_capacity"
    STANDBY_LOSS = "standby_loss"
    IDLE_TEMPERATURE = "idle_temperature"


class IntervalMethod(StrEnum):
    """How an interval was made, ambient, starts and noise being unknowns beside it."""

    CURVATURE = "curvature"
    """By the expected information at the likeliest parameters (Laplace)."""
    PROFILE = "profile"
    """By the profile of the posterior: where its logarithm has fallen by 1.92."""
    DRAWS = "draws"
    """By draws of the parameters, each put through the model."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One result."""

    name: QuantityName
    value: float
    unit: str
    """UCUM."""
    standard_uncertainty: float
    low: float
    """Lower end of the 95 % interval."""
    high: float
    method: IntervalMethod

    @property
    def factor(self) -> float:
        """The upper end of the interval against the lower."""
        return self.high / self.low if self.low > 0.0 else float("inf")

    @property
    def is_known(self) -> bool:
        """Whether the trace knows it; where not, it is not shown as a number."""
        if self.unit == "Cel":
            return self.high - self.low <= UNKNOWN_WIDTH_K
        return self.factor <= UNKNOWN_FACTOR

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object; without numbers where it is not known."""
        known = self.is_known
        return {
            "name": self.name.value,
            "known": known,
            "value": self.value if known else None,
            "unit": self.unit,
            "standard_uncertainty": self.standard_uncertainty if known else None,
            "low": self.low if known else None,
            "high": self.high if known else None,
            "method": self.method.value,
        }
