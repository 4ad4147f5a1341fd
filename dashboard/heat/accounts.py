"""Accounts of joints' loads, made in processes of their own: they go through all rows once."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dashboard.heat.fits import FitRequest
from dashboard.server.job_queue import JobQueue
from dashboard.server.kept_work import KeptWork
from replay.duty.evaluate import DutyModel, evaluate_duty
from replay.duty.result import DutyResult
from replay.heat.fit import HeatFit
from replay.recording import Recording

__all__ = ["DutyAccounts", "DutyRequest"]

MAX_ACCOUNTS: Final = 40
"""Each some tens of kilobytes."""


@dataclass(frozen=True, slots=True)
class DutyRequest:
    """Which joint, and by which fit its temperature had settled."""

    fit: FitRequest
    is_fitted: bool


class DutyAccounts:
    """The accounts that were asked for last."""

    def __init__(self, jobs: JobQueue) -> None:
        self._work = KeptWork(jobs, _tell_joint, name="duty", most=MAX_ACCOUNTS)

    def find(
        self,
        request: FitRequest,
        fit: HeatFit | None,
        recordings: Sequence[Recording],
        *,
        page: str,
    ) -> DutyResult | None:
        """Return an account of the one that is open; None while it is being made.

        The first call begins it.

        What the joint holds is not in it: that follows the rules of the page.

        Parameters
        ----------
        fit
            The joint's, by which it is known whether the temperature had settled; None: not fitted.

        Raises
        ------
        InputError
            There is no load to tell of.
        """
        asked = DutyRequest(request, fit is not None)
        made = self._work.find(asked, recordings, page=page, arguments=(fit,))
        return None if made is None else made.result

    def forget(self, request: FitRequest) -> None:
        """Forget the accounts of a joint, so that the next `find` makes a new one."""
        for is_fitted in (False, True):
            self._work.forget(DutyRequest(request, is_fitted))


def _tell_joint(request: DutyRequest, fit: HeatFit | None) -> DutyResult:
    recording = Recording.open(request.fit.path)
    return evaluate_duty(recording, request.fit.joint, model=DutyModel(fit=fit))
