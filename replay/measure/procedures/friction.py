"""Running friction from passes both ways: readings, spans, cautions, steps. Pure data."""

from typing import Final

from replay.measure.procedure import Procedure, SpanRule, Step
from replay.measure.procedures.shared import NO_SAFETY, SENDS_NOTHING, SWINGS

__all__ = ["FRICTION"]

FRICTION: Final = Procedure(
    name="friction",
    title="Friction",
    words="running friction by speed, direction and temperature, from passes both ways",
    spans=(
        SpanRule("plus", "a pass at constant speed in the positive direction"),
        SpanRule("minus", "the pass back over the same angles"),
        SpanRule("passes", "a stretch of many passes, which are found in it"),
    ),
    channels=("torque", "temperature"),
    cautions=(SWINGS, SENDS_NOTHING, NO_SAFETY),
    steps=(
        Step(
            "level axis", "Take the arm off, or level the axis: gravity may not change on the way."
        ),
        Step(
            "same angles",
            "Turn at a constant speed both ways over the same angles, at least five times each; at "
            "three speeds, and from cold to warm and cool again.",
            spans=("passes",),
            wants=1,
            watch=("speed_rad_s", "position_rad"),
            keeps=("steady", "temperature"),
        ),
    ),
    takes="30 min",
)
