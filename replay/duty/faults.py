"""Why nothing can be said of a joint's duty: one kind each, made a sentence where it is shown."""

from enum import StrEnum

from logger.errors import InputError

__all__ = ["DutyFault", "DutyFaultKind"]


class DutyFaultKind(StrEnum):
    """What is wrong with a span of a recording for an account of the load."""

    NO_LOAD = "no load"
    TOO_SHORT = "too short"
    NO_SPAN = "no span"


class DutyFault(InputError):
    """A span that no duty can be told of; `kind` says why, without its words."""

    def __init__(
        self, kind: DutyFaultKind, *, where: str, joint: str, found_s: float = 0.0
    ) -> None:
        self.kind = kind
        super().__init__(_DUTY_SENTENCES[kind].format(joint=joint, seconds=found_s), where=where)


_DUTY_SENTENCES = {
    DutyFaultKind.NO_LOAD: (
        "found neither torque nor current of {joint} in this span, expected one of them."
    ),
    DutyFaultKind.TOO_SHORT: (
        "found {seconds:.1f} s of {joint} with a load, expected at least 10 s."
    ),
    DutyFaultKind.NO_SPAN: (
        "found a span of {joint} that ends before it begins or lies outside the recording, "
        "expected --from before --to, within it."
    ),
}
