"""Play of the gear, at the tip of an arm or from loops: what it asks for. Pure data."""

from typing import Final

from replay.measure.procedure import Fact, Procedure, ReadingRule, SpanRule, Step
from replay.measure.procedures.shared import ARM_READING, NO_SAFETY, SENDS_NOTHING, SLIPS, SWINGS

__all__ = ["BACKLASH"]


def _loop_step(code: str, words: str, *, wants: int) -> Step:
    """Return a step of so many loops; all are watched alike."""
    return Step(
        code,
        words,
        way="loop",
        spans=("loop",),
        wants=wants,
        watch=("torque_Nm", "current_A"),
        keeps=("pace", "clamp", "temperature"),
    )


BACKLASH: Final = Procedure(
    name="backlash",
    title="Backlash",
    words="play of the gear: from the tip of an arm (readings), or from a torque loop (spans)",
    readings=(
        ARM_READING,
        ReadingRule(
            name="tip",
            words="the ruler at the tip with a force, such as 12.5 mm at +10 N",
            units=("m",),
            is_positive=False,
            at=("N",),
        ),
        ReadingRule(name="play", words="the whole play at the tip, such as 1 mm", units=("m",)),
        ReadingRule(
            name="rated", words="the rated torque, if the bench file has none", units=("N.m",)
        ),
        ReadingRule(
            name="fixture",
            words="what the fixture gives, such as 60 N.m/arcmin",
            units=("N.m/rad",),
        ),
    ),
    spans=(
        SpanRule("loop", "torque 0, +T, 0, -T, 0 with the output held fast; one clamp position"),
    ),
    channels=("output",),
    cautions=(SWINGS, SLIPS, SENDS_NOTHING, NO_SAFETY),
    ways=(
        Fact("tip", "from the tip of an arm, with a ruler or a dial gauge"),
        Fact("loop", "from loops of torque, the output held fast"),
    ),
    expected_way="tip",
    steps=(
        Step(
            "hold motor",
            "Hold the motor still by its drive, and fix a ruler at the tip.",
            way="tip",
        ),
        Step("arm", "Measure from the axis to the ruler.", way="tip", readings=("arm",), wants=1),
        Step(
            "both ways",
            "Push the tip with a small and with a threefold force, both ways, five times each; "
            "type each reading with its force: 'tip=12.5 mm at +10 N'.",
            way="tip",
            readings=("tip",),
            wants=20,
            watch=("position_rad",),
            keeps=("still",),
        ),
        Step(
            "clamp output",
            "Clamp the output fast, at torque 0; an encoder behind the gear takes off what the "
            "clamp gives.",
            way="loop",
        ),
        _loop_step("ramp", "Ramp the torque 0, +T, 0, -T, 0 in a minute.", wants=1),
        _loop_step(
            "four positions", "Repeat the loop at three more positions of the output.", wants=4
        ),
        _loop_step("half rate", "Repeat it once at half of the ramp rate.", wants=5),
    ),
    takes="20 min",
)
