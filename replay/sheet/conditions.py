"""Whether what was measured holds under the conditions of a claim. Pure.

Unlike conditions make a claim and a value not comparable, never a verdict: continuous torque on a
plate says nothing of the same joint hung in air.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logger.findings.finding import TORQUE_CONSTANT

__all__ = [
    "ABOUT_KEYS",
    "ConditionFault",
    "Conditions",
    "Mismatch",
    "is_alike",
    "mismatches",
    "without_about",
]

Conditions = Mapping[str, bool | float | str]
ABOUT_KEYS: Final = frozenset({"held_by", TORQUE_CONSTANT})
"""What a finding says about a quantity beside the conditions under which it holds: `held_by`, what
kept it from being more (current, torque, speed, supply, temperature, set-point), and by what a
torque was made from current."""
_LIKE_KELVIN: Final = 2.0
_LIKE_SHARE: Final = 0.02


class ConditionFault(StrEnum):
    """Why a condition keeps a claim and a value apart."""

    UNLIKE = "unlike"
    NOT_MEASURED = "not stated for the measurement"
    NOT_CLAIMED = "not stated by the claim"
    """It was measured under several, and the claim does not say which it means."""
    HIDDEN = "does not tell by what torque per ampere it was made"
    """And another was measured since than the bench file had."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mismatch:
    """A condition that keeps a claim and a value apart."""

    fault: ConditionFault
    key: str
    claimed: bool | float | str | None
    measured: bool | float | str | None


def is_alike(key: str, one: bool | float | str, other: bool | float | str) -> bool:  # noqa: FBT001
    """Return whether two values of a condition are the same for what they are compared for.

    Temperatures within 2 K, other numbers within 2 %, words letter by letter but for case and
    blanks.
    """
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, str) or isinstance(other, str):
        return _folded(str(one)) == _folded(str(other))
    if key.endswith("_degC"):
        return abs(one - other) <= _LIKE_KELVIN
    return abs(one - other) <= _LIKE_SHARE * max(abs(one), abs(other))


def mismatches(
    claimed: Conditions, measured: Conditions, *, usual: Conditions | None = None
) -> tuple[Mismatch, ...]:
    """Return the conditions of a claim that a measurement does not meet.

    `usual`: what every claim of this kind means; a measurement that says nothing of it meets it.
    """
    found = []
    for key, value in claimed.items():
        if key not in measured:
            if (usual or {}).get(key) != value:
                found.append(
                    Mismatch(
                        fault=ConditionFault.NOT_MEASURED, key=key, claimed=value, measured=None
                    )
                )
        elif not is_alike(key, value, measured[key]):
            found.append(
                Mismatch(
                    fault=ConditionFault.UNLIKE, key=key, claimed=value, measured=measured[key]
                )
            )
    return tuple(found)


def without_about(conditions: Conditions) -> dict[str, bool | float | str]:
    """Return the conditions under which a quantity holds, without what is said about it."""
    return {key: value for key, value in conditions.items() if key not in ABOUT_KEYS}


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())
