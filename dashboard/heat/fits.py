"""Fits of joints' heat, made in processes of their own and kept for as long as they are asked for.

A fit takes seconds, an answer from it milliseconds: so the page waits once for each joint, and then
turns ambient and temperature freely. Safe to call from several threads.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboard.heat.kept_work import KeptWork
from dashboard.server.job_queue import JobQueue
from logger.store.layout.remote import Location
from replay.heat.fit import HeatFit, fit_heat
from replay.heat.typed_ambient import ambient_choice
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
    """As typed: empty for the joint's own channel."""
    further: tuple[Location, ...] = ()
    """In one order, whatever they were chosen in."""

    @property
    def ambients(self) -> tuple[str, ...]:
        """What was typed for the ambient; none for the joint's own channel."""
        return (self.ambient,) if self.ambient else ()


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
    ambient = ambient_choice(request.ambients, recordings, request.joint)
    return fit_heat(recordings, request.joint, ambient=ambient)
