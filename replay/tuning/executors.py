"""Runs the tasks of a sweep on any executor, and keeps what is done.

The result of a task depends on the task alone, so it does not matter where it ran or how often: one
whose worker died runs again, in this process. Stopped from outside, what is done is returned.
"""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager
from typing import Any, Final

from logger.errors import DutytraceError
from replay.evaluation.alert_arrays import Alerts
from replay.evaluation.tasks import Task, worked

__all__ = ["Progress", "Workers", "cores", "processes", "run"]

Progress = Callable[[float], None]
"""Is told the share of all work that is done, 0 to 1."""

_LOOK_S: Final = 0.2


class _StoppedError(Exception):
    """It was asked to end; never seen outside of this file."""


class _Shared:
    """What a worker process shares with the one that started it."""

    ended: Any = None
    done: Any = None


def _begin(ended: Any, done: Any) -> None:  # noqa: ANN401 - multiprocessing's own proxies
    """Set up a worker: Ctrl-C is for the process that started it, which says what to do."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _Shared.ended, _Shared.done = ended, done


def _work(task: Task) -> list[Alerts] | None:
    """Do a task in a worker; None: it was stopped."""
    before = 0.0

    def heed(share: float) -> None:
        nonlocal before
        if _Shared.ended is None:
            return
        if _Shared.ended.is_set():
            raise _StoppedError
        with _Shared.done.get_lock():
            _Shared.done.value += max(share - before, 0.0) * task.weight
        before = max(share, before)

    try:
        return worked(task, heed)
    except _StoppedError:
        return None


class Workers(Executor):
    """An executor that knows of sweeps: it can be told to stop, and tells how it fares."""

    def begin(self, task: Task) -> "Future[list[Alerts] | None]":
        """Give it a task; what it answers is None when it was stopped before its end."""
        return self.submit(_work, task)

    def anew(self) -> None:
        """Get ready for another sweep; the one before has ended."""

    def told(self) -> float:
        """Return how much work is done, as far as that is told before a task is over."""
        return 0.0

    def said(self, fault: BaseException) -> BaseException:
        """Return what a fault of a task is to whoever asked; a DutytraceError ends the sweep."""
        return fault

    def look(self) -> None:
        """Look whether anybody works still; raises OutsideFault when nobody does."""

    def end(self) -> None:
        """Tell what works to stop."""


class _Any(Workers):
    """Any other executor, which knows nothing of sweeps."""

    def __init__(self, executor: Executor) -> None:
        self._executor = executor

    def begin(self, task: Task) -> "Future[list[Alerts] | None]":
        """Give it a task."""
        return self._executor.submit(_work, task)


class _Pool(Workers, ProcessPoolExecutor):
    """Processes that can be told to stop, and tell how far they are."""

    def __init__(self, jobs: int) -> None:
        # Not forked: threads of the store's libraries may hold locks at that moment.
        context = multiprocessing.get_context("spawn")
        self.ended = context.Event()
        self.done = context.Value("d", 0.0)
        super().__init__(jobs, context, initializer=_begin, initargs=(self.ended, self.done))

    def anew(self) -> None:
        """Forget that it was told to stop, and what was counted up."""
        self.ended.clear()
        self.done.value = 0.0

    def told(self) -> float:
        """Return what the processes have counted up."""
        return float(self.done.value)

    def end(self) -> None:
        """Set what they look at."""
        self.ended.set()


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def processes(jobs: int) -> Iterator[Executor | None]:
    """Give an executor of that many processes; None for one, which is this process itself."""
    if jobs <= 1:
        yield None
        return
    with _Pool(jobs) as pool:
        try:
            yield pool
        finally:
            pool.end()


def run(
    tasks: Sequence[Task],
    executor: Executor | None = None,
    *,
    progress: Progress = lambda _share: None,
    stop: threading.Event | None = None,
) -> list[list[Alerts] | None]:
    """Return the result of each task, None for those that were not done when it was stopped.

    Parameters
    ----------
    executor
        None: in this process.

    Raises
    ------
    DutytraceError
        What a task itself raised.
    """
    found: list[list[Alerts] | None] = [None] * len(tasks)
    whole = sum(task.weight for task in tasks) or 1.0
    stop = stop or threading.Event()
    left = list(range(len(tasks)))
    if executor is not None:
        left = _on(executor, tasks, found, whole=whole, progress=progress, stop=stop)
    done = whole - sum(tasks[index].weight for index in left)
    for index in left:
        weight = tasks[index].weight

        def heed(share: float, *, before: float = done, weight: float = weight) -> None:
            if stop.is_set():
                raise _StoppedError
            progress((before + share * weight) / whole)

        try:
            heed(0.0)
            found[index] = worked(tasks[index], heed)
        except _StoppedError:
            break
        done += weight
        progress(done / whole)
    return found


def _on(
    executor: Executor,
    tasks: Sequence[Task],
    found: list[list[Alerts] | None],
    *,
    whole: float,
    progress: Progress,
    stop: threading.Event,
) -> list[int]:
    """Fill `found` from an executor; return the tasks that are to be done again here."""
    futures: dict[Future[list[Alerts] | None], int] = {}
    again: list[int] = []
    workers = executor if isinstance(executor, Workers) else _Any(executor)
    workers.anew()
    # The heaviest first: none of them is begun when all others are over.
    for index in sorted(range(len(tasks)), key=lambda one: -tasks[one].weight):
        try:
            futures[workers.begin(tasks[index])] = index
        except BrokenExecutor:
            again.append(index)
    pending, done = set(futures), 0.0
    while pending and not stop.is_set():
        finished, pending = wait(pending, _LOOK_S, FIRST_COMPLETED)
        for future in finished:
            index = futures[future]
            fault = None if (own := _fault(future)) is None else workers.said(own)
            if isinstance(fault, DutytraceError):
                _cancel(workers, pending)
                raise fault
            found[index] = future.result() if fault is None else None
            if found[index] is None:
                # Its worker died, or was told to leave it by somebody else.
                again.append(index)
            else:
                done += tasks[index].weight
        workers.look()
        progress(min(max(done, workers.told()) / whole, 1.0))
    if not pending:
        return sorted(again)
    _cancel(workers, pending)
    if isinstance(workers, _Pool):
        # What was just being finished is not thrown away.
        for future in wait(pending).done:
            if _fault(future) is None:
                found[futures[future]] = future.result()
    return []


def _fault(future: "Future[list[Alerts] | None]") -> BaseException | None:
    try:
        return future.exception()
    except CancelledError as fault:
        return fault


def _cancel(workers: Workers, pending: "set[Future[list[Alerts] | None]]") -> None:
    workers.end()
    for future in pending:
        future.cancel()
