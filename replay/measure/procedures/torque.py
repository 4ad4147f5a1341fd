"""Torque per ampere from a scale at an arm: readings, spans, cautions, steps. Pure data."""

from typing import Final

from replay.measure.procedure import Procedure, ReadingRule, SpanRule, Step
from replay.measure.procedures.shared import (
    ARM_READING,
    DROPS,
    HOT,
    NO_SAFETY,
    SENDS_NOTHING,
    SWINGS,
)

__all__ = ["TORQUE"]

TORQUE: Final = Procedure(
    name="torque",
    title="Torque per ampere",
    words="torque per ampere, loading and unloading apart, from a scale or load cell at an arm",
    readings=(
        ARM_READING,
        ReadingRule(
            name="scale",
            words="a scale, load cell or torque sensor, such as 3.25 kg at 6 A, or at a span",
            units=("kg", "N", "N.m"),
            is_positive=False,
            at=("A", "N.m"),
            at_span=True,
        ),
        ReadingRule(
            name="nudged",
            words="the same scale after the arm was nudged at the same current",
            units=("kg", "N", "N.m"),
            is_positive=False,
            at=("A",),
            repeats="scale",
            at_span=True,
        ),
        ReadingRule(
            name="angle",
            words="the angle of the arm from level, such as 0 deg +- 2 deg",
            units=("rad",),
            is_positive=False,
        ),
        ReadingRule(
            name="gain",
            words="what the scale's gain may be off by, such as 1 +- 0.002",
            units=("1",),
        ),
    ),
    spans=(
        SpanRule("*", "one level, standing still, such as up3; up3-nudged the same after a nudge"),
    ),
    channels=("scale",),
    cautions=(SWINGS, DROPS, HOT, SENDS_NOTHING, NO_SAFETY),
    steps=(
        Step("tare", "Put the arm on the scale without current, and set the scale to zero."),
        Step(
            "level",
            "Bring the arm level, and measure from the axis to the point that presses.",
            readings=("arm",),
            wants=1,
        ),
        Step(
            "eight up and down",
            "Raise the current in eight levels to the most you want to know, and come down by the "
            "same; hold each for 3 s and type the scale: 'scale=3.25 kg at 6 A'.",
            spans=("level",),
            readings=("scale", "nudged"),
            wants=15,
            watch=("current_A", "torque_Nm"),
            keeps=("still", "temperature"),
        ),
        Step(
            "nudge",
            "At two levels on the way up lift the arm a little and let go, at two on the way down "
            "press it a little and let go, and type the scale again as 'nudged': it shows whether "
            "what stands still is all of the torque. The other way the friction turns around.",
            readings=("nudged",),
            wants=4,
            watch=("current_A", "torque_Nm"),
            keeps=("still", "temperature"),
        ),
    ),
    takes="15 min",
)
