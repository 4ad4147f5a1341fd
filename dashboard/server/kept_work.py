"""What takes long and is asked for again: made once, in a process of its own, and kept.

Safe to call from several threads.
"""

import threading
from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import wait
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeVar

from dashboard.server.job_queue import JobContext, JobQueue
from logger.errors import DutytraceError, InputError
from logger.store.layout.byte_cache import ByteLruCache
from replay.recording import Recording

__all__ = ["KeptWork", "Made"]

_POLL_S: Final = 0.2

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Made(Generic[Result]):
    """What was made, and until when each of the recordings went that it was made from."""

    result: Result
    ends_ns: tuple[int, ...]

    @property
    def until_ns(self) -> int:
        """Until when the last of them went."""
        return max(self.ends_ns)


@dataclass(frozen=True, slots=True)
class _Refusal:
    """Why nothing can be made, in words that cross from one process to another."""

    text: str


class KeptWork(Generic[Result]):
    """The results that were asked for last."""

    def __init__(
        self, jobs: JobQueue, make: Callable[..., Result], *, name: str, most: int
    ) -> None:
        """Keep results of a function of a module, which is called in a process of its own.

        Parameters
        ----------
        make
            Is given the request, and what `find` is given beside it.
        name
            Of the kind of job: a newer one of a page takes the place of an older one.
        most
            How many are kept.
        """
        self._jobs = jobs
        self._make = make
        self._name = name
        self._lock = threading.Lock()
        self._kept: ByteLruCache[Made[Result | _Refusal]] = ByteLruCache(max_bytes=most)
        self._numbers: dict[Hashable, int] = {}

    def find(
        self,
        request: Hashable,
        recordings: Sequence[Recording],
        *,
        page: str,
        arguments: tuple[Any, ...] = (),
    ) -> Made[Result] | None:
        """Return a result; None while it is being made, which the first call begins.

        A recording that has ended since, or was resumed, is worked on again; one that is still
        recorded only after `forget`.

        Parameters
        ----------
        recordings
            Those that the request is about, in one order for one request.
        arguments
            What the function is given behind the request; it follows from it.

        Raises
        ------
        InputError
            Nothing can be made.
        """
        with self._lock:
            kept = self._kept.get(request)
            if kept is not None and _is_fresh(kept, recordings):
                if isinstance(kept.result, _Refusal):
                    raise InputError(kept.result.text)
                return Made(kept.result, kept.ends_ns)
            number = self._numbers.get(request)
            job = None if number is None else self._jobs.job_to_json(number)
            if job is not None and job["state"] in {"waiting", "running"}:
                return None
            self._numbers.pop(request, None)
            if job is not None and job["state"] == "failed":
                # A fault of the program or of the disk: told once, and tried again when asked.
                raise InputError(job["fault"])
            self._numbers[request] = self._jobs.submit(
                f"{page} {self._name}",
                self._work(request, arguments, tuple(one.end_ns for one in recordings)),
            )
            return None

    def forget(self, request: Hashable) -> None:
        """Forget a result, so that the next `find` makes a new one."""
        with self._lock:
            self._kept.drop(request)

    def _work(
        self, request: Hashable, arguments: tuple[Any, ...], ends_ns: tuple[int, ...]
    ) -> Callable[[JobContext], dict[str, Any]]:
        def work(context: JobContext) -> dict[str, Any]:
            made = _run(self._make, (request, *arguments), context)
            if made is not None:
                with self._lock:
                    self._kept.put(request, Made(made, ends_ns), size_bytes=1)
            return {}

        return work


def _is_fresh(kept: Made[Any], recordings: Sequence[Recording]) -> bool:
    """Return whether each recording is still recorded, or ended where it did."""
    return all(
        one.live or one.end_ns == end_ns
        for one, end_ns in zip(recordings, kept.ends_ns, strict=True)
    )


def _run(
    make: Callable[..., Result], arguments: tuple[Any, ...], context: JobContext
) -> Result | _Refusal | None:
    """Work in a process of its own where there is one; None when nobody waits any more."""
    if context.executor is None:
        return _attempt(make, arguments)
    future = context.executor.submit(_attempt, make, arguments)
    while not future.done():
        wait([future], _POLL_S)
        # Lets a server that ends stop the job.
        context.progress(0.0)
        if context.stop.is_set():
            future.cancel()
            return None
    return future.result()


def _attempt(make: Callable[..., Result], arguments: tuple[Any, ...]) -> Result | _Refusal:
    try:
        return make(*arguments)
    except DutytraceError as fault:
        return _Refusal(str(fault))
