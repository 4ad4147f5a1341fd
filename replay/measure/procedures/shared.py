"""Cautions that several kinds have, and the arm's reading. Pure data."""

from typing import Final

from replay.measure.procedure import Fact, ReadingRule

__all__ = ["ARM_READING", "DROPS", "HOT", "NO_SAFETY", "SENDS_NOTHING", "SLIPS", "SWINGS"]

SWINGS: Final = Fact(
    "arm swings", "The arm swings with all the torque of the joint: stay out of its circle."
)
SLIPS: Final = Fact(
    "clamp slips", "A clamp that slips lets go all at once: hold nothing that it may hit."
)
DROPS: Final = Fact(
    "load drops", "A load drops when the drive loses power or trips: nothing may be below it."
)
HOT: Final = Fact("gets hot", "At high torque the winding warms within seconds: watch it.")
SENDS_NOTHING: Final = Fact(
    "sends nothing", "dutytrace moves nothing: you or your controller do, within its own limits."
)
NO_SAFETY: Final = Fact(
    "no safety function",
    "dutytrace only watches and is no safety function: the rules of your place come first, and who "
    "is qualified for this bench decides.",
)

ARM_READING: Final = ReadingRule(
    name="arm", words="a length from the axis to where it is read, such as 344 mm", units=("m",)
)
