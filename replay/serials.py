"""Whether recordings are of one specimen of a joint: their serials say so."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from replay.recording import Recording

__all__ = ["OTHER_SERIAL_CLAUSE", "OtherSerial", "known_serials", "other_serial"]

OTHER_SERIAL_CLAUSE: Final = (
    "found another serial of {joint} ({found}), expected recordings of one and the same"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherSerial:
    """Recordings of a joint that are of more than one specimen."""

    joint: str
    """Its label, as the first recording has it."""
    serials: tuple[str, ...]
    """All that were found, in the order of the recordings."""
    where: str
    """Name of the first recording that is of another specimen than those before it."""

    @property
    def found(self) -> str:
        """The serials, in words."""
        return " and ".join(self.serials)

    @property
    def clause(self) -> str:
        """What is wrong, as a sentence without its full stop."""
        return OTHER_SERIAL_CLAUSE.format(joint=self.joint, found=self.found)


def known_serials(serials: Iterable[str]) -> tuple[str, ...]:
    """Return the serials that differ, in order; "" is none: such a joint may be any of them."""
    return tuple(dict.fromkeys(serial for serial in serials if serial))


def other_serial(recordings: Sequence[Recording], joint: str) -> OtherSerial | None:
    """Return that recordings are of more than one specimen of a joint; None where they are not."""
    found = [one.bench.joint_named(joint).serial for one in recordings]
    serials = known_serials(found)
    if len(serials) < 2:
        return None
    return OtherSerial(
        joint=recordings[0].bench.label_of(joint),
        serials=serials,
        where=recordings[found.index(serials[1])].name,
    )
