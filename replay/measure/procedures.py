"""The kinds of measurement: what each asks for and gives, its cautions and steps. Pure data."""

from typing import Final

from replay.measure.procedure import Fact, Procedure, ReadingRule, SpanRule, Step

__all__ = ["KIND_NAMES", "PROCEDURES"]

_SWINGS: Final = Fact(
    "arm swings", "The arm swings with all the torque of the joint: stay out of its circle."
)
_SLIPS: Final = Fact(
    "clamp slips", "A clamp that slips lets go all at once: hold nothing that it may hit."
)
_DROPS: Final = Fact(
    "load drops", "A load drops when the drive loses power or trips: nothing may be below it."
)
_HOT: Final = Fact("gets hot", "At high torque the winding warms within seconds: watch it.")
_SENDS_NOTHING: Final = Fact(
    "sends nothing", "dutytrace moves nothing: you or your controller do, within its own limits."
)
_NO_SAFETY: Final = Fact(
    "no safety function",
    "dutytrace only watches and is no safety function: the rules of your place come first, and who "
    "is qualified for this bench decides.",
)

_ARM: Final = ReadingRule(
    name="arm", words="a length from the axis to where it is read, such as 344 mm", units=("m",)
)

_BACKLASH: Final = Procedure(
    name="backlash",
    title="Backlash",
    words="play of the gear: from the tip of an arm (readings), or from a torque loop (spans)",
    readings=(
        _ARM,
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
    cautions=(_SWINGS, _SLIPS, _SENDS_NOTHING, _NO_SAFETY),
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
        ),
        Step("clamp output", "Clamp the output fast, at torque 0.", way="loop"),
        Step(
            "ramp",
            "Ramp the torque 0, +T, 0, -T, 0 in a minute.",
            way="loop",
            spans=("loop",),
            wants=1,
            watch=("torque_Nm", "current_A"),
        ),
        Step(
            "four positions",
            "Repeat the loop at three more positions of the output.",
            way="loop",
            spans=("loop",),
            wants=4,
            watch=("torque_Nm", "current_A"),
        ),
        Step(
            "half rate",
            "Repeat it once at half of the ramp rate.",
            way="loop",
            spans=("loop",),
            wants=5,
            watch=("torque_Nm", "current_A"),
        ),
    ),
    takes="20 min",
)
_TORQUE: Final = Procedure(
    name="torque",
    title="Torque per ampere",
    words="torque per ampere, loading and unloading apart, from a scale or load cell at an arm",
    readings=(
        _ARM,
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
    cautions=(_SWINGS, _DROPS, _HOT, _SENDS_NOTHING, _NO_SAFETY),
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
        ),
        Step(
            "nudge",
            "At two levels on the way up and two on the way down nudge the arm, let go, and type "
            "the scale again as 'nudged': it shows whether what stands still is all of the torque.",
            readings=("nudged",),
            wants=4,
            watch=("current_A", "torque_Nm"),
        ),
    ),
    takes="15 min",
)
_CEILING: Final = Procedure(
    name="ceiling",
    title="Ceilings",
    words="why less comes than the set-point asks: current, torque, speed, supply, temperature",
    spans=(
        SpanRule("torque", "holds in torque mode"),
        SpanRule("speed", "holds in speed mode"),
        SpanRule("position", "holds in position mode"),
        SpanRule("current", "holds in current mode"),
    ),
    cautions=(_SWINGS, _HOT, _SENDS_NOTHING, _NO_SAFETY),
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
_OSCILLATION: Final = Procedure(
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
    cautions=(_SWINGS, _SENDS_NOTHING, _NO_SAFETY),
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
_FRICTION: Final = Procedure(
    name="friction",
    title="Friction",
    words="running friction by speed, direction and temperature, from passes both ways",
    spans=(
        SpanRule("plus", "a pass at constant speed in the positive direction"),
        SpanRule("minus", "the pass back over the same angles"),
        SpanRule("passes", "a stretch of many passes, which are found in it"),
    ),
    channels=("torque", "temperature"),
    cautions=(_SWINGS, _SENDS_NOTHING, _NO_SAFETY),
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
        ),
    ),
    takes="30 min",
)
_FREE: Final = Procedure(
    name="free",
    title="Friction by hand",
    words="friction from turning the output by hand both ways at a constant torque set-point",
    readings=(
        _ARM,
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
    cautions=(_SWINGS, _SENDS_NOTHING, _NO_SAFETY),
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
_TURNS: Final = Procedure(
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
    cautions=(_SWINGS, _SENDS_NOTHING, _NO_SAFETY),
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
_VALUE: Final = Procedure(
    name="value",
    title="A value read off",
    words="anything that is read off: a mass, a resistance, a diameter, with its uncertainty",
    readings=(ReadingRule(name="*", words="any name and unit", units=(), is_positive=False),),
    cautions=(
        Fact("drive off", "Measure windings with the drive off and unplugged."),
        _NO_SAFETY,
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

PROCEDURES: Final[dict[str, Procedure]] = {
    one.name: one
    for one in (*(_BACKLASH, _TORQUE, _CEILING, _OSCILLATION, _FRICTION, _FREE, _TURNS, _VALUE),)
}
"""All kinds, by name."""

KIND_NAMES: Final = tuple(PROCEDURES)
