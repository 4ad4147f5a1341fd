"""Anything that is read off: readings, spans, cautions, steps. Pure data."""

from typing import Final

from replay.measure.procedure import Fact, Procedure, ReadingRule, Step
from replay.measure.procedures.shared import NO_SAFETY

__all__ = ["VALUE"]

VALUE: Final = Procedure(
    name="value",
    title="A value read off",
    words="anything that is read off: a mass, a resistance, a diameter, with its uncertainty",
    readings=(ReadingRule(name="*", words="any name and unit", units=(), is_positive=False),),
    cautions=(
        Fact("drive off", "Measure windings with the drive off and unplugged."),
        NO_SAFETY,
    ),
    steps=(
        Step(
            "read off",
            "Read it off at least three times, and state the instrument's division.",
            readings=("*",),
            wants=3,
            watch=("temperature_winding_degC", "temperature_housing_degC"),
        ),
    ),
    takes="2 min",
)
