"""Invented drives and their traffic, by which a layout finder can be judged. Nothing is a maker's.

`invent_drive(seed)` gives frames as received over the four steps (rest, turn, load, warm), the
marks and numbers that a person gave, and what is true. The same seed gives the same traffic.

truth       what a drive sent, what a person said, what is true
plan        everything about a drive, from a seed
quantities  which fields a drive has, in which sizes, units and forms
numbers     courses to numbers to bits
places      where fields lie in a payload
checksums   checksums of one byte
motion      how the output and its neighbours move
physics     torque, speed, heat and supply of a joint in a motion
traffic     frames on a bus
"""

from tests.support.drives.plan import DrivePlan, plan_drive
from tests.support.drives.traffic import drive_traffic, invent_drive
from tests.support.drives.truth import DriveSet, DriveTraffic, Meaning, Side, SignForm

__all__ = [
    "DrivePlan",
    "DriveSet",
    "DriveTraffic",
    "Meaning",
    "Side",
    "SignForm",
    "drive_traffic",
    "invent_drive",
    "plan_drive",
]
