"""A programme for a joint that nobody has measured yet: what to move, in which order. Pure.

It is a text: dutytrace sends nothing. Cold before warm, what needs no clamp before what does, and
what tells whether the rest can be believed (turns, torque per ampere) before what rests on it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from replay.measure.procedure import Procedure
from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.readiness.needed import Needed

__all__ = ["PLAN_ORDER", "PlanStep", "plan_steps"]

PLAN_ORDER: Final = (
    "value",
    "turns",
    "free",
    "friction",
    "oscillation",
    "torque",
    "ceiling",
    "backlash",
)
"""The kinds in the order of the programme."""
_WHY: Final = {
    "value": "before anything is mounted: mass, winding resistance with its temperature",
    "turns": "first under power: sign, gear ratio, and whether turns survive a power cycle",
    "free": "cold, without a load",
    "friction": "cold first, then again warm: it needs no clamp",
    "oscillation": "with the arm that it will carry",
    "torque": "before ceilings and loops: every torque there rests on it",
    "ceiling": "warms the joint: short stretches, the winding in sight",
    "backlash": "last, since the output has to be clamped",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStep:
    """One measurement of the programme."""

    number: int
    procedure: Procedure
    why: str
    levels: str
    """Levels for this joint where its rated values are known; "": not known."""
    is_answered: bool
    """A finding of this kind is kept in the recordings that were named."""
    needed: Needed | None = None
    """What the recording holds of it and what it asks for; None: that cannot be told by it."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "number": self.number,
            "kind": self.procedure.name,
            "why": self.why,
            "levels": self.levels,
            "takes": self.procedure.takes,
            "answered": self.is_answered,
            "needed": None if self.needed is None else self.needed.to_json(),
            "cautions": [one.words for one in self.procedure.cautions],
            "steps": [one.words_with_way for one in self.procedure.steps],
            "command": f"dutytrace measure {self.procedure.name}",
        }


def plan_steps(
    *,
    rated_torque_Nm: float | None = None,  # noqa: N803 - the unit's own spelling
    per_ampere: float | None = None,
    answered: frozenset[str] = frozenset(),
    needed: Sequence[Needed] = (),
) -> tuple[PlanStep, ...]:
    """Return the programme for a joint, in order.

    Parameters
    ----------
    rated_torque_Nm, per_ampere
        Of the bench file; None: not known, and no levels are told.
    answered
        Kinds of which a finding is kept already.
    needed
        What a recording holds of kinds, and what they ask for.
    """
    return tuple(
        PlanStep(
            number=number,
            procedure=PROCEDURES[name],
            why=_WHY[name],
            levels=_levels(name, rated_torque_Nm, per_ampere),
            is_answered=name in answered,
            needed=next((one for one in needed if one.kind == name), None),
        )
        for number, name in enumerate(PLAN_ORDER, start=1)
    )


def _levels(name: str, rated: float | None, per_ampere: float | None) -> str:
    if rated is None:
        return ""
    if name == "backlash":
        return f"ramps to ±{rated:.3g} N.m; lost motion is told at ±{0.03 * rated:.2g} N.m"
    if name == "torque" and per_ampere is not None:
        most = rated / per_ampere
        return f"eight levels of {most / 8.0:.2g} A up to {most:.3g} A and down again"
    if name == "free":
        return f"a set-point of about {0.1 * rated:.2g} N.m"
    if name == "ceiling":
        return f"asked for 1.5 times rated torque and more: {1.5 * rated:.3g} N.m"
    return ""
