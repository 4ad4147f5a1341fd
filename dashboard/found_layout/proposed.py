"""The proposal of a question, made in a process of its own and kept. Reads raw frames."""

from dataclasses import dataclass
from typing import Final

from dashboard.found_layout.curves import Curve, decoded_curves
from dashboard.found_layout.question import LayoutRequest
from dashboard.server.job_queue import JobQueue
from dashboard.server.kept_work import KeptWork
from logger.arrays import to_ns, to_s
from logger.errors import InputError
from logger.joint.batch import ERROR, REMOTE, SENT
from logger.layout_tools.bit_map import BitClaim, claim_bits
from logger.layout_tools.proposal_file import ProposalFile
from logger.layout_tools.traffic_proposal import (
    MAX_FRAMES,
    FoundFrames,
    proposal_to_file,
    propose_from,
)
from replay.recording import Recording

__all__ = ["FoundLayout", "FoundLayouts"]

MAX_KEPT: Final = 8
FILE_NAME: Final = "found-drive"


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLayout:
    """A proposal, and what is shown beside it."""

    file: ProposalFile
    claims: tuple[tuple[BitClaim, ...], ...]
    """Of each kind of frame, the lowest bit of byte 0 first."""
    curves: tuple[Curve, ...]
    first_s: float
    """Of the first frame, in seconds of the recording."""
    steps: tuple[tuple[str, float, float], ...]
    """As the traffic corrects them: name, begin and end in seconds of the recording."""
    frames: int


class FoundLayouts:
    """The proposals that were asked for last."""

    def __init__(self, jobs: JobQueue) -> None:
        self._work = KeptWork(jobs, propose_of, name="layout", most=MAX_KEPT)

    def find(
        self, request: LayoutRequest, recording: Recording, *, page: str
    ) -> FoundLayout | None:
        """Return a proposal; None while it is being made, which the first call begins.

        Raises
        ------
        InputError
            Nothing can be proposed.
        """
        made = self._work.find(request, [recording], page=page)
        return None if made is None else made.result


def propose_of(request: LayoutRequest) -> FoundLayout:
    """Return the proposal of a question.

    Raises
    ------
    InputError
        The stretch holds no frame of the bus, or too many; a step lies outside.
    """
    recording = Recording.open(request.path)
    begin_s, end_s = request.span_s
    frames = recording.read_frames(
        recording.start_ns + to_ns(begin_s), recording.start_ns + to_ns(end_s)
    )
    is_wanted = (frames.bus == request.bus) & (frames.flags & (ERROR | REMOTE | SENT) == 0)
    frames = frames.select_rows(is_wanted)
    if not len(frames):
        raise InputError(
            f"found no frame with data in it from {begin_s:.0f} to {end_s:.0f} s, expected those "
            "of the steps. Were raw frames let go, or is it another bus?"
        )
    if len(frames) > MAX_FRAMES:
        raise InputError(
            f"found {len(frames)} frames around the steps, expected at most {MAX_FRAMES}."
        )
    first_s = to_s(int(frames.time_ns[0]) - recording.start_ns)
    source = f"recording {recording.path.name}, {recording.manifest.recording_id}"
    marks = request.marks(first_s)
    proposal = propose_from(FoundFrames(frames=frames, source=source), marks)
    file = proposal_to_file(proposal, name=FILE_NAME, source=source)
    corrected = proposal.marks
    return FoundLayout(
        file=file,
        claims=tuple(claim_bits(kind) for kind in proposal.kinds),
        curves=decoded_curves(file, frames),
        first_s=first_s,
        steps=tuple(
            (name, span[0] + first_s, span[1] + first_s)
            for name, span in (
                ("rest", corrected.rest), ("turn", corrected.turn),
                ("load", corrected.load), ("warm", corrected.warm),
            )
            if span is not None
        ),
        frames=len(frames),
    )  # fmt: skip
