"""Fits of joints' heat, made in processes of their own and kept for as long as they are asked for.

A fit takes seconds, an answer from it milliseconds: so the page waits once for each joint, and then
turns ambient and temperature freely. Safe to call from several threads.
"""

import threading
from collections.abc import Callable
from concurrent.futures import wait
from dataclasses import dataclass, replace
from typing import Any, Final

from dashboard.server.job_queue import JobContext, JobQueue
from logger.errors import DutytraceError, InputError
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.remote import Location
from replay.heat.fit import HeatFit, fit_heat
from replay.heat.options import ambient_choice
from replay.recording import Recording

__all__ = ["FitRequest", "HeatFits", "KeptFit"]

MAX_FITS: Final = 12
"""Each some megabytes: the trace in steps, and draws of the joint."""
_POLL_S: Final = 0.2


@dataclass(frozen=True, slots=True)
class FitRequest:
    """Which joint, with which ambient."""

    path: Location
    joint: str
    ambient: str
    """As typed: empty for the joint's own channel."""


@dataclass(frozen=True, slots=True)
class KeptFit:
    """A fit, and until when the recording went that it was made from."""

    fit: HeatFit
    until_ns: int


@dataclass(frozen=True, slots=True)
class _Refusal:
    """Why nothing can be fitted, in words that cross from one process to another."""

    text: str
    until_ns: int = 0


class HeatFits:
    """The fits that were asked for last."""

    def __init__(self, jobs: JobQueue) -> None:
        self._jobs = jobs
        self._lock = threading.Lock()
        self._kept: ByteLruCache[KeptFit | _Refusal] = ByteLruCache(max_bytes=MAX_FITS)
        self._numbers: dict[FitRequest, int] = {}

    def find(self, request: FitRequest, recording: Recording, *, page: str) -> KeptFit | None:
        """Return a fit; None while it is being made, which the first call begins.

        A recording that has ended since, or was resumed, is fitted again; one that is still
        recorded only after `forget`.

        Raises
        ------
        InputError
            Nothing can be fitted.
        """
        with self._lock:
            kept = self._kept.get(request)
            if kept is not None and (recording.live or kept.until_ns == recording.end_ns):
                if isinstance(kept, _Refusal):
                    raise InputError(kept.text)
                return kept
            number = self._numbers.get(request)
            job = None if number is None else self._jobs.job_to_json(number)
            if job is not None and job["state"] in {"waiting", "running"}:
                return None
            self._numbers.pop(request, None)
            if job is not None and job["state"] == "failed":
                # A fault of the program or of the disk: told once, and tried again when asked.
                raise InputError(job["fault"])
            self._numbers[request] = self._jobs.submit(
                f"{page} heat", self._work(request, recording.end_ns)
            )
            return None

    def forget(self, request: FitRequest) -> None:
        """Forget a fit, so that the next `find` makes a new one."""
        with self._lock:
            self._kept.drop(request)

    def _work(self, request: FitRequest, until_ns: int) -> Callable[[JobContext], dict[str, Any]]:
        def work(context: JobContext) -> dict[str, Any]:
            made = _run(request, context)
            if made is not None:
                kept = (
                    KeptFit(made, until_ns)
                    if isinstance(made, HeatFit)
                    else replace(made, until_ns=until_ns)
                )
                with self._lock:
                    self._kept.put(request, kept, size_bytes=1)
            return {}

        return work


def _run(request: FitRequest, context: JobContext) -> HeatFit | _Refusal | None:
    """Fit in a process of its own where there is one; None when nobody waits for it any more."""
    if context.executor is None:
        return _fit_joint(request)
    future = context.executor.submit(_fit_joint, request)
    while not future.done():
        wait([future], _POLL_S)
        # Lets a server that ends stop the job.
        context.progress(0.0)
        if context.stop.is_set():
            future.cancel()
            return None
    return future.result()


def _fit_joint(request: FitRequest) -> HeatFit | _Refusal:
    try:
        recording = Recording.open(request.path)
        ambient = ambient_choice(request.ambient or None, recording, request.joint)
        return fit_heat([recording], request.joint, ambient=ambient)
    except DutytraceError as fault:
        return _Refusal(str(fault))
