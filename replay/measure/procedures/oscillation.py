"""What swings: readings, spans, cautions, steps. Pure data."""

from typing import Final

from replay.measure.procedure import Procedure, ReadingRule, SpanRule, Step
from replay.measure.procedures.shared import NO_SAFETY, SENDS_NOTHING, SWINGS

__all__ = ["OSCILLATION"]

OSCILLATION: Final = Procedure(
    name="oscillation",
    title="Oscillation",
    words="frequency, amplitude and damping of what swings, and whether it grows",
    readings=(
        ReadingRule(
            name="added",
            words="the inertia that a second arm adds in the span, such as 0.05 kg.m2 at swing2",
            units=("kg.m2",),
            at_span=True,
        ),
    ),
    spans=(SpanRule("*", "a stretch around a set-point, or after a push"),),
    channels=("signal",),
    cautions=(SWINGS, SENDS_NOTHING, NO_SAFETY),
    steps=(
        Step("push", "Let the joint hold a position and push the arm, or step the set-point."),
        Step(
            "let it ring",
            "Leave it until it rests; 2 s after each push, 60 s without one.",
            spans=("swing",),
            readings=("added",),
            wants=1,
            watch=("position_rad", "speed_rad_s"),
        ),
    ),
    takes="5 min",
)
