"""Why no cycles can be told of a recording: one kind each, made a sentence where it is shown."""

from enum import StrEnum

from logger.errors import InputError

__all__ = ["CycleFault", "CycleFaultKind"]


class CycleFaultKind(StrEnum):
    """What a recording lacks for its cycles to be told."""

    NO_COURSE = "no course"
    NONE_FOUND = "none found"


class CycleFault(InputError):
    """A recording whose cycles cannot be told; `kind` says why, without its words."""

    def __init__(self, kind: CycleFaultKind, *, where: str, joint: str) -> None:
        self.kind = kind
        super().__init__(_CYCLE_SENTENCES[kind].format(joint=joint), where=where)


_CYCLE_SENTENCES = {
    CycleFaultKind.NO_COURSE: (
        "found neither position, torque nor current of {joint}, in which cycles could be found, "
        "expected one of them. Say in a plan file, under [cycle], which channel or note begins one."
    ),
    CycleFaultKind.NONE_FOUND: (
        "found nothing that {joint} does again and again at regular intervals, expected at least "
        "six cycles. Say in a plan file, under [cycle], which channel or note begins one."
    ),
}
