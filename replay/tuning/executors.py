"""Runs the tasks of a sweep on any executor and collects their results.

The result of a task depends on the task alone, so it does not matter where it runs or how often:
one whose worker died runs again, in this process. If the sweep is stopped, the results so far are
returned.
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
from logger.memory import leave_out_pandas
from replay.evaluation.alert_arrays import AlertArrays
from replay.evaluation.tasks import StoppedError, Task, run_task, run_unless_stopped

__all__ = ["ProgressCallback", "SweepExecutor", "count_cores", "process_executor", "run_tasks"]

ProgressCallback = Callable[[float], None]
"""Takes the share of all work that is done, 0 to 1."""

_PROGRESS_S: Final = 0.2


class _WorkerState:
    """What a worker process shares with the process that started it; set by `_init_worker`."""

    stop_event: Any = None
    work_done: Any = None


def _init_worker(stop_event: Any, work_done: Any) -> None:  # noqa: ANN401 - multiprocessing's own proxies
    """Set up a worker: it ignores Ctrl-C, since the process that started it stops its tasks.

    No task uses pandas; that Arrow would load it costs each worker half a second.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    leave_out_pandas()
    _WorkerState.stop_event, _WorkerState.work_done = stop_event, work_done
    threading.Thread(target=_exit_with_parent, name="parent watch", daemon=True).start()


def _exit_with_parent() -> None:
    """Wait for the end of the process that started this worker, then end the worker at once.

    A parent that is killed closes no pool. Its workers would wait for ever on a queue that they
    all hold open themselves, and the resource tracker would wait for them.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        # Waits on a pipe of which the parent alone holds the other end: it is closed however the
        # parent ends, and no other process can be taken for it.
        parent.join()
        os._exit(1)


def _run_in_worker(task: Task) -> list[AlertArrays] | None:
    """Run a task in a worker process; None where it was stopped."""
    reported_share = 0.0

    def report_progress(share: float) -> None:
        nonlocal reported_share
        if _WorkerState.stop_event is None:
            return
        if _WorkerState.stop_event.is_set():
            raise StoppedError
        with _WorkerState.work_done.get_lock():
            _WorkerState.work_done.value += max(share - reported_share, 0.0) * task.weight
        reported_share = max(share, reported_share)

    return run_unless_stopped(task, report_progress)


class SweepExecutor(Executor):
    """An executor of sweep tasks that can be stopped, and reports the progress within tasks."""

    def submit_task(self, task: Task) -> "Future[list[AlertArrays] | None]":
        """Return the future result of a task; None is the result where the task was stopped."""
        return self.submit(_run_in_worker, task)

    def reset(self) -> None:
        """Prepare for another sweep, after the previous one has ended."""

    def partial_work_done(self) -> float:
        """Return the weight of the work that is done, with that of unfinished tasks if known."""
        return 0.0

    def translate_fault(self, fault: BaseException) -> BaseException:
        """Return the error for one of a task: a DutytraceError ends the sweep, others repeat it."""
        return fault

    def check_alive(self) -> None:
        """Check that there are workers.

        Raises
        ------
        OutsideFault
            There have been none for a while.
        """

    def request_stop(self) -> None:
        """Ask the running tasks to stop."""


class _PlainExecutor(SweepExecutor):
    """Any other executor, whose tasks cannot be stopped once they run."""

    def __init__(self, executor: Executor) -> None:
        self._executor = executor

    def submit_task(self, task: Task) -> "Future[list[AlertArrays] | None]":
        """Return the future result of a task."""
        return self._executor.submit(_run_in_worker, task)


class _ProcessPool(SweepExecutor, ProcessPoolExecutor):
    """Worker processes, which see a shared stop event and add up their progress."""

    def __init__(self, jobs: int) -> None:
        # Not forked: threads of the store's libraries may hold locks at that moment.
        context = multiprocessing.get_context("spawn")
        self.stop_event = context.Event()
        self.work_done = context.Value("d", 0.0)
        super().__init__(
            jobs, context, initializer=_init_worker, initargs=(self.stop_event, self.work_done)
        )

    def reset(self) -> None:
        """Clear the stop event and the progress."""
        self.stop_event.clear()
        self.work_done.value = 0.0

    def partial_work_done(self) -> float:
        """Return the weight of the work that all processes have done."""
        return float(self.work_done.value)

    def request_stop(self) -> None:
        """Set the stop event, which the tasks look at."""
        self.stop_event.set()


def count_cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def process_executor(jobs: int) -> Iterator[Executor | None]:
    """Yield an executor of so many processes; None for one, which is this process itself."""
    if jobs <= 1:
        yield None
        return
    with _ProcessPool(jobs) as pool:
        try:
            yield pool
        finally:
            pool.request_stop()


def run_tasks(
    tasks: Sequence[Task],
    executor: Executor | None = None,
    *,
    progress: ProgressCallback = lambda _share: None,
    stop: threading.Event | None = None,
) -> list[list[AlertArrays] | None]:
    """Return the result of each task, None for those that were not done when it was stopped.

    Parameters
    ----------
    executor
        None: one task after the other in this process.
    progress
        Is called with the share of all work that is done.
    stop
        Set from another thread, it ends the run.

    Raises
    ------
    DutytraceError
        One that a task raised.
    """
    results: list[list[AlertArrays] | None] = [None] * len(tasks)
    total_weight = sum(task.weight for task in tasks) or 1.0
    stop = stop or threading.Event()
    remaining = list(range(len(tasks)))
    if executor is not None:
        remaining = _run_on_executor(
            executor, tasks, results, total_weight=total_weight, progress=progress, stop=stop
        )
    done_weight = total_weight - sum(tasks[index].weight for index in remaining)
    for index in remaining:
        weight = tasks[index].weight

        def report_progress(
            share: float, *, done_before: float = done_weight, weight: float = weight
        ) -> None:
            if stop.is_set():
                raise StoppedError
            progress((done_before + share * weight) / total_weight)

        try:
            report_progress(0.0)
            results[index] = run_task(tasks[index], report_progress)
        except StoppedError:
            break
        done_weight += weight
        progress(done_weight / total_weight)
    return results


def _run_on_executor(
    executor: Executor,
    tasks: Sequence[Task],
    results: list[list[AlertArrays] | None],
    *,
    total_weight: float,
    progress: ProgressCallback,
    stop: threading.Event,
) -> list[int]:
    """Fill `results` from an executor; return the indices of tasks to be run in this process."""
    futures: dict[Future[list[AlertArrays] | None], int] = {}
    to_repeat: list[int] = []
    sweep_executor = executor if isinstance(executor, SweepExecutor) else _PlainExecutor(executor)
    sweep_executor.reset()
    # The heaviest first, so that none of them begins when all others are over.
    for index in sorted(range(len(tasks)), key=lambda task_index: -tasks[task_index].weight):
        try:
            futures[sweep_executor.submit_task(tasks[index])] = index
        except BrokenExecutor:
            to_repeat.append(index)
    pending, done_weight = set(futures), 0.0
    while pending and not stop.is_set():
        finished, pending = wait(pending, _PROGRESS_S, FIRST_COMPLETED)
        for future in finished:
            index = futures[future]
            fault = (
                None
                if (raised := _future_fault(future)) is None
                else sweep_executor.translate_fault(raised)
            )
            if isinstance(fault, DutytraceError):
                _cancel_pending(sweep_executor, pending)
                raise fault
            results[index] = future.result() if fault is None else None
            if results[index] is None:
                # Its worker died, or the task was stopped by another than this run.
                to_repeat.append(index)
            else:
                done_weight += tasks[index].weight
        sweep_executor.check_alive()
        progress(min(max(done_weight, sweep_executor.partial_work_done()) / total_weight, 1.0))
    if not pending:
        return sorted(to_repeat)
    _cancel_pending(sweep_executor, pending)
    if isinstance(sweep_executor, _ProcessPool):
        # Tasks that were just finishing give their results.
        for future in wait(pending).done:
            if _future_fault(future) is None:
                results[futures[future]] = future.result()
    return []


def _future_fault(future: "Future[list[AlertArrays] | None]") -> BaseException | None:
    try:
        return future.exception()
    except CancelledError as fault:
        return fault


def _cancel_pending(
    executor: SweepExecutor, pending: "set[Future[list[AlertArrays] | None]]"
) -> None:
    executor.request_stop()
    for future in pending:
        future.cancel()
