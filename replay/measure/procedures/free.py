"""Friction from turning the output by hand: readings, spans, cautions, steps. Pure data."""

from typing import Final

from replay.measure.procedure import Procedure, ReadingRule, SpanRule, Step
from replay.measure.procedures.shared import ARM_READING, NO_SAFETY, SENDS_NOTHING, SWINGS

__all__ = ["FREE"]

FREE: Final = Procedure(
    name="free",
    title="Friction by hand",
    words="friction from turning the output by hand both ways at a constant torque set-point",
    readings=(
        ARM_READING,
        ReadingRule(
            name="forward",
            words="the spring scale while it turns slowly forward",
            units=("kg", "N", "N.m"),
            is_positive=False,
        ),
        ReadingRule(
            name="backward",
            words="the spring scale while it turns slowly back, its pull counted the same way",
            units=("kg", "N", "N.m"),
            is_positive=False,
        ),
    ),
    spans=(
        SpanRule("forward", "turned forward by hand"),
        SpanRule("backward", "turned back by hand"),
    ),
    channels=("scale",),
    cautions=(SWINGS, SENDS_NOTHING, NO_SAFETY),
    steps=(
        Step("constant torque", "Give a constant torque set-point that the hand can hold."),
        Step(
            "arm",
            "Measure from the axis to where the spring scale pulls.",
            readings=("arm",),
            wants=1,
        ),
        Step(
            "by hand",
            "Turn the output slowly with a spring scale at the arm, five times each way, over the "
            "same angles; the joint pulls the scale all the time.",
            spans=("forward", "backward"),
            channel="scale",
            readings=("forward", "backward"),
            wants=10,
            watch=("torque_setpoint_Nm", "torque_Nm", "current_A"),
        ),
    ),
    takes="10 min",
)
