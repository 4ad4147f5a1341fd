"""Why nothing can be said of a joint's heat: one kind each, made a sentence where it is shown."""

from collections.abc import Sequence
from enum import StrEnum

from logger.errors import InputError
from replay.heat.text import duration_text
from replay.recording import Recording
from replay.serials import OTHER_SERIAL_CLAUSE, other_serial

__all__ = ["HeatFault", "HeatFaultKind", "check_one_serial"]


class HeatFaultKind(StrEnum):
    """What is wrong with recordings for a fit of heat."""

    NO_LOAD = "no load"
    NO_TEMPERATURE = "no temperature"
    TOO_SHORT = "too short"
    STANDING_SENSOR = "standing sensor"
    NOT_LOADED = "not loaded"
    AMBIENT_ABOVE = "ambient above"
    OVERLAP = "overlap"
    MIXED_LOADS = "mixed loads"
    OTHER_SERIAL = "other serial"
    NO_AMBIENT = "no ambient"
    AMBIENT_IN_GAP = "ambient in gap"
    NO_MODEL = "no model"


class HeatFault(InputError):
    """A recording that a fit of heat cannot be made from; `kind` says why, without its words."""

    def __init__(
        self,
        kind: HeatFaultKind,
        *,
        where: str,
        joint: str,
        found: str = "",
        found_s: float = 0.0,
    ) -> None:
        self.kind = kind
        super().__init__(
            _SENTENCES[kind].format(joint=joint, found=found, lasts=duration_text(found_s)),
            where=where,
        )


_SENTENCES = {
    HeatFaultKind.NO_LOAD: (
        "found neither current nor torque of {joint}, expected one of them: heat is fitted to the "
        "square of a load. Let its layout read one, or import one with its temperatures."
    ),
    HeatFaultKind.NO_TEMPERATURE: (
        "found no winding or housing temperature of {joint}, expected at least one: join one with "
        "`dutytrace join`."
    ),
    HeatFaultKind.TOO_SHORT: (
        "found {lasts} of {joint} under a load that is known, expected at least 10 min without a "
        "gap: a joint's time constants are minutes to hours. Record longer, or fit others with it."
    ),
    HeatFaultKind.STANDING_SENSOR: (
        "found one and the same {found} temperature of {joint} all the time, expected one that "
        "follows the load: is its sensor connected?"
    ),
    HeatFaultKind.NOT_LOADED: (
        "found a load of {joint} that is zero all the time, expected a stretch under load: without "
        "one nothing tells what a load warms it by."
    ),
    HeatFaultKind.AMBIENT_ABOVE: (
        "found an ambient ({found}) above every temperature of {joint}, expected one below: a "
        "joint that is powered is not colder than its room. Is it that of another room or day?"
    ),
    HeatFaultKind.OVERLAP: (
        "found a recording that begins before {found} ends, expected recordings of {joint} that "
        "follow each other. Leave one of the two out."
    ),
    HeatFaultKind.MIXED_LOADS: (
        "found a current of {joint} in some recordings only, expected it in all or in none."
    ),
    HeatFaultKind.OTHER_SERIAL: f"{OTHER_SERIAL_CLAUSE}.",
    HeatFaultKind.NO_AMBIENT: (
        "found no ambient {found} for {joint}, expected a temperature such as 23degC, or a channel "
        "that is recorded, such as temperature_ambient_degC or room.temperature_ambient_degC."
    ),
    HeatFaultKind.AMBIENT_IN_GAP: (
        "found no load of {joint} within 10 min of the ambient of {found}, expected a reading from "
        "while it was recorded."
    ),
    HeatFaultKind.NO_MODEL: (
        "found no one model of {joint} that follows from its load, expected one to write into the "
        "bench file: record load steps without a change of cooling."
    ),
}


def check_one_serial(recordings: Sequence[Recording], joint: str) -> None:
    """Raise HeatFault where recordings are of more than one specimen of a joint."""
    if (other := other_serial(recordings, joint)) is not None:
        raise HeatFault(
            HeatFaultKind.OTHER_SERIAL, where=other.where, joint=other.joint, found=other.found
        )
