"""A small proposal, and what somebody decides about its values."""

from logger.layout_tools.proposal_file import (
    FileKind,
    FileValue,
    ProposalFile,
    Sureness,
    check_of,
    decide,
)

NOW = "2026-05-04T10:00:00+00:00"


def file_value(**keys) -> FileValue:
    """Return a value of a proposal."""
    content = {
        "state": "proposed", "meaning": "temperature", "channel": "temperature_first_degC",
        "byte": 1, "bits": 8, "form": "unsigned", "scale": 0.5, "offset": -40.0, "seen_bits": 5,
        "sure": Sureness(place=0.98, meaning=0.95, scale=0.6),
    }  # fmt: skip
    value = FileValue.model_validate({**content, **keys})
    return value.model_copy(update={"check": check_of(value)})


SPEED = {
    "meaning": "speed", "channel": "speed_rad_s", "byte": 2, "bit": 3, "bits": 12, "order": "big",
    "form": "offset_binary", "scale": -0.25, "offset": 0.0, "seen_bits": 12,
    "sure": Sureness(place=0.98, meaning=0.98, scale=0.97),
}  # fmt: skip


def proposal_of(*values: FileValue) -> ProposalFile:
    """Return a proposal of one kind of frame with these values."""
    kind = FileKind(name="0x120", identifier="0x120", length=8, frames=100, value=values)
    return ProposalFile(
        proposal=1, name="drive", source="run.log", undecided=('What "it" means.',), kind=(kind,)
    )


def decided_by(file: ProposalFile, confirm: set[int], leave_out: set[int]) -> ProposalFile:
    """Return a proposal in which somebody confirmed some values and left out others."""
    return decide(
        file, confirm=frozenset(confirm), leave_out=frozenset(leave_out), by="A. Body", on=NOW
    )
