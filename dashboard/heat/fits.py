"""Fits of joints' heat, made in processes of their own and kept for as long as they are asked for.

A fit takes seconds, an answer from it milliseconds: so the page waits once for each joint, and then
turns ambient and temperature freely. Safe to call from several threads.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from dashboard.server.job_queue import JobQueue
from dashboard.server.kept_work import KeptWork
from logger.store.layout.remote import Location
from replay.heat.fit import AmbientChoice, HeatFit, fit_heat
from replay.heat.typed_ambient import ambient_choice, ambient_texts
from replay.recording import Recording

__all__ = ["FitRequest", "HeatFits", "KeptFit"]

MAX_FITS: Final = 12
"""Each some megabytes: the trace in steps, and draws of the joint."""


@dataclass(frozen=True, slots=True)
class FitRequest:
    """Which joint, with which ambient, and which recordings beside the one that is open."""

    path: Location
    joint: str
    ambient: str
    """As typed, with dates and offsets: empty for the joint's own channel."""
    further: tuple[Location, ...] = ()
    """In one order, whatever they were chosen in."""

    @property
    def ambients(self) -> tuple[str, ...]:
        """What was typed for the ambient; none for the joint's own channel."""
        return ambient_texts(self.ambient)

    def ambient_of(
        self, recordings: Sequence[Recording], zone: tzinfo | None = None
    ) -> AmbientChoice:
        """Return where the ambient comes from.

        `zone`: of times in what is said of it.

        Raises
        ------
        InputError
            What was typed is none.
        """
        return ambient_choice(self.ambients, recordings, self.joint, where="ambient", zone=zone)


@dataclass(frozen=True, slots=True)
class KeptFit:
    """A fit, and until when the last recording went that it was made from."""

    fit: HeatFit
    until_ns: int


class HeatFits:
    """The fits that were asked for last."""

    def __init__(self, jobs: JobQueue) -> None:
        self._work = KeptWork(jobs, _fit_joint, name="heat", most=MAX_FITS)

    def find(
        self, request: FitRequest, recordings: Sequence[Recording], *, page: str
    ) -> KeptFit | None:
        """Return a fit; None while it is being made, which the first call begins.

        `recordings`: those of the request, the one that is open first.

        Raises
        ------
        InputError
            Nothing can be fitted.
        """
        made = self._work.find(request, recordings, page=page)
        return None if made is None else KeptFit(made.result, made.until_ns)

    def forget(self, request: FitRequest) -> None:
        """Forget a fit, so that the next `find` makes a new one."""
        self._work.forget(request)


def _fit_joint(request: FitRequest) -> HeatFit:
    recordings = [Recording.open(path) for path in (request.path, *request.further)]
    return fit_heat(recordings, request.joint, ambient=request.ambient_of(recordings))
