"""Why nothing can be said of a joint's heat: one kind each, made a sentence where it is shown."""

from enum import StrEnum

from logger.errors import InputError

__all__ = ["HeatFault", "HeatFaultKind"]


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
            _SENTENCES[kind].format(joint=joint, found=found, seconds=found_s), where=where
        )


_SENTENCES = {
    HeatFaultKind.NO_LOAD: (
        "found neither current nor torque of {joint}, expected one of them: heat is fitted to the "
        "square of a load."
    ),
    HeatFaultKind.NO_TEMPERATURE: (
        "found no winding or housing temperature of {joint}, expected at least one: join one with "
        "`dutytrace join`."
    ),
    HeatFaultKind.TOO_SHORT: (
        "found {seconds:.0f} s of {joint} with a load, expected at least 10 min without a gap: a "
        "joint's time constants are minutes to hours."
    ),
    HeatFaultKind.STANDING_SENSOR: (
        "found {found} of {joint} at one value all the time, expected a temperature that follows "
        "the load: is its sensor connected?"
    ),
    HeatFaultKind.NOT_LOADED: (
        "found no load of {joint} above zero, expected a stretch under load."
    ),
    HeatFaultKind.AMBIENT_ABOVE: (
        "found an ambient ({found}) above every temperature of {joint}, expected one below: a "
        "joint that is powered is not colder than its room."
    ),
    HeatFaultKind.OVERLAP: (
        "found a recording that begins before {found} ends, expected recordings of {joint} that "
        "follow each other."
    ),
    HeatFaultKind.MIXED_LOADS: (
        "found a current of {joint} in some recordings only, expected it in all or in none."
    ),
    HeatFaultKind.OTHER_SERIAL: (
        "found another serial of {joint} ({found}), expected recordings of one and the same."
    ),
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
