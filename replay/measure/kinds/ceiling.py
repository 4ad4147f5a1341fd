"""Why less comes than the set-point asks for: which limit holds, at which value, by mode. Pure.

What the joint would give without the ceiling is not guessed. A trace that never asks for more
proves nothing, and that is the answer then.
"""

from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np

from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from replay.measure.kinds.ceiling_causes import Cause, score_causes, standing_causes
from replay.measure.kinds.holds import AskedHold, asked_holds, modes_of
from replay.measure.procedure import Fact
from replay.measure.result import (
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    UnknownResult,
    student_quantity,
)
from replay.measure.setup import BenchSetup

__all__ = ["ENOUGH_HOLDS", "measure_ceiling"]

LEAST_HOLDS: Final = 3
ENOUGH_HOLDS: Final = 16

PEAKS: Final = {
    "current_A": QuantityKind("peak_current", "ceiling of current", "A"),
    "torque_Nm": QuantityKind("peak_torque", "ceiling of torque", "N.m"),
    "speed_rad_s": QuantityKind("peak_speed", "ceiling of speed", "rad/s"),
}
REACHED: Final = {
    Cause.CURRENT: ("current_A", "torque_Nm"),
    Cause.TORQUE: ("torque_Nm",),
    Cause.SPEED: ("speed_rad_s",),
    Cause.SUPPLY: ("speed_rad_s",),
    Cause.TEMPERATURE: ("current_A", "torque_Nm"),
}
"""What a cause keeps from being more: a maker claims torque, whatever ceiling it is."""
CAUSE: Final = QuantityKind("ceiling_cause", "what holds the ceiling", "1")
WORDS: Final = {
    Cause.CURRENT: "current",
    Cause.TORQUE: "torque",
    Cause.SPEED: "speed",
    Cause.SUPPLY: "supply voltage",
    Cause.TEMPERATURE: "temperature (current is taken back)",
}

CEILING_METHOD: Final = Fact("holds", "what stands still while the set-point asks for more")
CEILING_SOURCE: Final = "chi-square against the scatter, unknowns counted (Schwarz)"
NEVER_ASKED: Final = Fact(
    "never asked",
    "Nothing asked for more than came: this recording says nothing of a ceiling.",
)
TOO_FEW: Final = Fact("too few", "fewer than three stretches ask for more than comes")
NONE_FITS: Final = Fact(
    "none fits", "none of current, torque, speed, supply and temperature describes what came"
)
NOT_APART: Final = Fact(
    "not apart",
    "More than one cause describes what came: vary what differs between them, load, speed, supply "
    "and temperature, and repeat.",
)
TORQUE_IS_CURRENT: Final = Fact(
    "torque is current",
    "Torque is computed from the current here: their ceilings cannot be told apart from this.",
)
FEW_HOLDS: Final = Fact(
    "few holds", "Fewer than 16 stretches: more of them tell more causes apart."
)
ASK_MORE: Final = Fact(
    "ask for more",
    "Ask for more than the joint gives, 16 times for half a second, at unlike loads and speeds.",
)


def measure_ceiling(setup: BenchSetup) -> Measurement:
    """Return what held each mode's ceiling, with the stretches that show it.

    Raises
    ------
    InputError
        There is no span or no set-point.
    """
    if not setup.spans:
        raise InputError(
            "found none and no recording, expected one in which the set-point asks for "
            "more than comes.",
            where="--span",
        )
    by_mode: dict[str, list[AskedHold]] = {}
    for span in setup.spans:
        for mode in modes_of(span):
            by_mode.setdefault(mode, []).extend(asked_holds(span, mode))
    if not by_mode:
        raise InputError(
            f"found no set-point of {setup.joint.name}, expected "
            "torque, current, speed or position set-points to be recorded: only they tell what was "
            "asked for.",
            where=setup.spans[0].recording,
        )
    answers, unknown, remarks, evidence = [], [], set(), []
    quantities: list[MeasuredQuantity] = []
    for mode, holds in by_mode.items():
        if not holds:
            answers.append(f"{mode} mode: nothing asked for more than came")
            remarks.add(NEVER_ASKED)
            continue
        causes = _causes(setup, holds)
        evidence += [_evidence(one, causes) for one in holds]
        if len(holds) < LEAST_HOLDS:
            answers.append(f"{mode} mode: not known")
            unknown.append(UnknownResult(of=CAUSE, why=TOO_FEW, steps=(ASK_MORE,)))
            continue
        if not causes:
            answers.append(f"{mode} mode: not known")
            unknown.append(UnknownResult(of=CAUSE, why=NONE_FITS, steps=(ASK_MORE,)))
            continue
        answers.append(f"{mode} mode is held by {' or '.join(WORDS[one] for one in causes)}")
        if len(causes) > 1:
            remarks.add(TORQUE_IS_CURRENT if _is_computed(setup, causes) else NOT_APART)
        if len(holds) < ENOUGH_HOLDS:
            remarks.add(FEW_HOLDS)
        quantities += _ceilings(setup, holds, causes, mode)
    return Measurement(
        kind="ceiling",
        joint=setup.joint.name,
        method=CEILING_METHOD,
        source=CEILING_SOURCE,
        answer=", ".join(answers),
        quantities=tuple(quantities),
        unknown=tuple(unknown),
        remarks=tuple(sorted(remarks, key=lambda one: one.code)),
        torque_constant=setup.joint.torque_constant,
        instruments=(),
        picture={"holds": evidence},
        extra={"evidence": evidence},
    )


def _causes(setup: BenchSetup, holds: Sequence[AskedHold]) -> list[Cause]:
    found = standing_causes(score_causes(holds))
    if setup.joint.is_torque_derived and {Cause.CURRENT, Cause.TORQUE} & set(found):
        # One is computed from the other, whatever their counts make of it.
        rest = [one for one in found if one not in {Cause.CURRENT, Cause.TORQUE}]
        found = [Cause.CURRENT, Cause.TORQUE, *rest]
    return found


def _is_computed(setup: BenchSetup, causes: Sequence[Cause]) -> bool:
    return setup.joint.is_torque_derived and set(causes) == {Cause.CURRENT, Cause.TORQUE}


def _ceilings(
    setup: BenchSetup, holds: Sequence[AskedHold], causes: Sequence[Cause], mode: str
) -> Iterator[MeasuredQuantity]:
    """Yield what was reached at a mode's ceiling, with what kept it from being more."""
    channels = dict.fromkeys(name for one in causes for name in REACHED[one])
    held = [one.value for one in causes]
    if _is_computed(setup, causes):
        held = [Cause.CURRENT.value]  # a torque that is computed has no ceiling of its own
    for name in channels:
        values = np.array([one.mean[name] for one in holds if name in one.mean])
        if len(values) < LEAST_HOLDS:
            continue
        part = UncertaintyPart(
            source="holds",
            contribution=float(values.std(ddof=1)) / np.sqrt(len(values)),
            degrees_of_freedom=len(values) - 1,
        )
        yield student_quantity(
            PEAKS[name],
            float(values.mean()),
            (part,),
            at={"mode": mode, "held_by": "/".join(held)},
        )


def _evidence(hold: AskedHold, causes: Sequence[Cause]) -> dict[str, Any]:
    return {
        "mode": hold.mode,
        "start_s": round(hold.start_s, 3),
        "duration_s": round(hold.duration_s, 3),
        "asked": hold.asked,
        "came": hold.came,
        "causes": [one.value for one in causes],
        **hold.mean,
    }
