"""Gear ratio and turns from a commanded motion: readings, spans, cautions, steps. Pure data."""

from typing import Final

from replay.measure.procedure import Procedure, ReadingRule, SpanRule, Step
from replay.measure.procedures.shared import NO_SAFETY, SENDS_NOTHING, SWINGS

__all__ = ["TURNS"]

TURNS: Final = Procedure(
    name="turns",
    title="Turns",
    words="gear ratio, direction, and whether turns are kept, from a commanded motion and back",
    readings=(
        ReadingRule(
            name="turned",
            words="how far the output was seen to turn in a span, such as 5 turn at out",
            units=("rad",),
            is_positive=False,
            at_span=True,
        ),
    ),
    spans=(
        SpanRule("out", "the motion of several turns"),
        SpanRule("back", "the motion back to the mark"),
        SpanRule("before", "standing at the mark before the power is switched off"),
        SpanRule("after", "standing at the mark after it is back"),
    ),
    channels=("output",),
    cautions=(SWINGS, SENDS_NOTHING, NO_SAFETY),
    steps=(
        Step("mark", "Put a mark on the output and one beside it."),
        Step(
            "several turns",
            "Command five turns or more, and count them at the mark.",
            spans=("out",),
            wants=1,
            watch=("position_rad",),
        ),
        Step(
            "counted",
            "Type how far the output was seen to turn: 'turned=5 turn +- 5 deg at out'.",
            readings=("turned",),
            wants=1,
            watch=("position_rad",),
            keeps=("still",),
        ),
        Step(
            "turn back",
            "Command it back to the mark.",
            spans=("back",),
            wants=1,
            watch=("position_rad",),
        ),
        Step(
            "power cycle",
            "Stand at the mark, switch the drive off and on, and stand there again.",
            spans=("before", "after"),
            wants=2,
            watch=("position_rad",),
        ),
    ),
    takes="10 min",
)
