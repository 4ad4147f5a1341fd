"""Why less comes than the set-point asks for: readings, spans, cautions, steps. Pure data."""

from typing import Final

from replay.measure.procedure import Procedure, SpanRule, Step
from replay.measure.procedures.shared import HOT, NO_SAFETY, SENDS_NOTHING, SWINGS

__all__ = ["CEILING"]

CEILING: Final = Procedure(
    name="ceiling",
    title="Ceilings",
    words="why less comes than the set-point asks: current, torque, speed, supply, temperature",
    spans=(
        SpanRule("torque", "holds in torque mode"),
        SpanRule("speed", "holds in speed mode"),
        SpanRule("position", "holds in position mode"),
        SpanRule("current", "holds in current mode"),
    ),
    cautions=(SWINGS, HOT, SENDS_NOTHING, NO_SAFETY),
    steps=(
        Step(
            "ask for more",
            "Ask for more than the joint gives, at least 16 times for half a second, at unlike "
            "loads, speeds and temperatures, in each control mode that you use; a span is named by "
            "its mode. A slow ramp that never asks for more proves nothing.",
            spans=("torque", "speed", "position", "current"),
            wants=1,
            watch=("torque_Nm", "current_A", "speed_rad_s"),
        ),
    ),
    takes="15 min",
)
