"""Why a clock cannot be compared: one kind each, made a sentence where it is shown."""

from enum import StrEnum

from logger.errors import InputError

__all__ = ["ClockFault", "ClockFaultKind"]


class ClockFaultKind(StrEnum):
    """What is lacking for two clocks to be compared."""

    NO_SENSOR = "no sensor"
    NO_CHANNEL = "no channel"
    WHICH_CHANNEL = "which channel"
    NO_OVERLAP = "no overlap"
    NO_COMMON_EVENT = "no common event"
    NOT_ONE_OFFSET = "not one offset"


class ClockFault(InputError):
    """Two clocks that cannot be compared; `kind` says why, without its words."""

    def __init__(self, kind: ClockFaultKind, *, where: str, **words: str) -> None:
        self.kind = kind
        super().__init__(_SENTENCES[kind].format(**words), where=where)


_SENTENCES = {
    ClockFaultKind.NO_SENSOR: (
        "found no sensor {name}, expected one of its sensors: {known}. `dutytrace join` adds one."
    ),
    ClockFaultKind.NO_CHANNEL: "found no {channel} of {name}, expected one of: {known}.",
    ClockFaultKind.WHICH_CHANNEL: (
        "found nothing that {name} and {joint} both measure, expected which channels show the same "
        "event: --channel one of {joint_known}, --sensor-channel one of {known}."
    ),
    ClockFaultKind.NO_OVERLAP: (
        "found no readings of {name} while {joint} reported {channel}, expected some of both. Its "
        "times may be of another day or zone: join it again with --start or --shift."
    ),
    ClockFaultKind.NO_COMMON_EVENT: (
        "found no event that {name} and {channel} of {joint} both show within {within} of each "
        "other, expected a step or a movement of both. Say how far the clock may be off with "
        "--within, or compare other channels with --channel."
    ),
    ClockFaultKind.NOT_ONE_OFFSET: (
        "found several offsets that match as well ({offsets}), since the load repeats itself; "
        "expected one. Say how far the clock can be off with --within, and nothing was moved."
    ),
}
