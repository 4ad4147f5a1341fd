"""Jobs that take longer than a request (exact evaluations, sweeps, fits of heat), one at a time.

They run in processes of their own, so that the pages stay responsive; a page polls its job by a
number. A newer job of the same page replaces the previous one. The processes end after a minute
without a job, and with the server.
"""

import itertools
import json
import logging
import threading
import time
import zlib
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, wait
from dataclasses import dataclass, field
from typing import Any, Final

from logger.errors import DutytraceError
from replay.tuning.executors import ProgressCallback, count_cores, process_executor

__all__ = ["Job", "JobContext", "JobFunction", "JobQueue"]

log = logging.getLogger(__name__)

POOL_IDLE_S: Final = 60.0
_ASKED_S: Final = 2.0
"""How long a process that has nothing to do has to say so."""
MAX_FINISHED_JOBS: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class JobContext:
    """What a job runs with."""

    executor: Executor | None
    jobs: int
    """How many tasks the executor runs at a time."""
    progress: ProgressCallback
    stop: threading.Event
    """Set to end the job."""


JobFunction = Callable[[JobContext], dict[str, Any]]
"""Runs a job and returns its result for the page, as JSON can carry it."""


@dataclass(slots=True, kw_only=True)
class Job:
    """One job and its progress."""

    number: int
    owner: str
    """The page and the kind of job; a newer one of the same replaces it."""
    work: JobFunction
    share: float = 0.0
    began_s: float | None = None
    state: str = "waiting"
    """Then "running", "done", "stopped" or "failed"."""
    fault: str = ""
    result: bytes = b""
    """JSON, compressed: it may hold thousands of points, and a page reads it once."""
    stop: threading.Event = field(default_factory=threading.Event)

    def to_json(self, now_s: float) -> dict[str, Any]:
        """Return its progress, and at the end its result."""
        content: dict[str, Any] = {"number": self.number, "state": self.state, "share": self.share}
        if self.state == "running" and self.began_s is not None and self.share > 0.02:
            elapsed_s = now_s - self.began_s
            content["left_s"] = round(elapsed_s * (1.0 - self.share) / self.share, 1)
        if self.fault:
            content["fault"] = self.fault
        if self.state in {"done", "stopped"}:
            content["result"] = json.loads(zlib.decompress(self.result)) if self.result else {}
        return content


class JobQueue:
    """Runs jobs in the order in which they are submitted. Safe for several threads."""

    def __init__(self, stop: threading.Event) -> None:
        """Make an empty queue; `stop` is set when the server begins to stop."""
        self._stop = stop
        self._changed = threading.Condition()
        self._jobs: OrderedDict[int, Job] = OrderedDict()
        self._numbers = itertools.count(1)
        self._thread: threading.Thread | None = None

    def submit(self, owner: str, function: JobFunction) -> int:
        """Put a job into the queue and return its number."""
        with self._changed:
            for job in self._jobs.values():
                if job.owner == owner and job.state in {"waiting", "running"}:
                    self._cancel_job(job)
            job = Job(number=next(self._numbers), owner=owner, work=function)
            self._jobs[job.number] = job
            finished = [
                other for other in self._jobs.values() if other.state not in {"waiting", "running"}
            ]
            for oldest in finished[: max(len(self._jobs) - MAX_FINISHED_JOBS, 0)]:
                del self._jobs[oldest.number]
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._run, name="job-queue", daemon=True)
                self._thread.start()
            self._changed.notify_all()
            return job.number

    def job_to_json(self, number: int) -> dict[str, Any] | None:
        """Return the progress of a job, None if there is none of that number (any more)."""
        with self._changed:
            job = self._jobs.get(number)
            return None if job is None else job.to_json(time.monotonic())

    def cancel(self, number: int) -> None:
        """Stop a job; its result so far is kept."""
        with self._changed:
            job = self._jobs.get(number)
            if job is not None:
                self._cancel_job(job)

    def close(self, within_s: float) -> None:
        """End the running job and the worker processes; return when they ended, or in time.

        Workers that take longer end by themselves as soon as this process has ended.
        """
        self._stop.set()
        with self._changed:
            thread = self._thread
            self._changed.notify_all()
        if thread is not None:
            thread.join(within_s)

    def _cancel_job(self, job: Job) -> None:
        job.stop.set()
        if job.state == "waiting":
            job.state = "stopped"

    def _wait_for_job(self) -> Job | None:
        """Wait for the next job; None: there was none for a minute, or the server stops."""
        with self._changed:
            deadline_s = time.monotonic() + POOL_IDLE_S
            while not self._stop.is_set():
                waiting = [job for job in self._jobs.values() if job.state == "waiting"]
                if waiting:
                    waiting[0].state = "running"
                    waiting[0].began_s = time.monotonic()
                    return waiting[0]
                remaining_s = deadline_s - time.monotonic()
                if remaining_s <= 0:
                    self._thread = None
                    break
                self._changed.wait(min(remaining_s, 0.5))
            return None

    def _run(self) -> None:
        core_count = count_cores()
        job = self._wait_for_job()
        while job is not None:
            # A new executor after one of its processes died, which ends all of them.
            with process_executor(core_count) as executor:
                is_new = True
                while job is not None and (is_new or _accepts_work(executor)):
                    self._run_job(job, executor, core_count)
                    job, is_new = self._wait_for_job(), False

    def _run_job(self, job: Job, executor: Executor | None, jobs: int) -> None:
        def progress(share: float) -> None:
            job.share = share
            if self._stop.is_set():
                job.stop.set()

        context = JobContext(executor=executor, jobs=jobs, progress=progress, stop=job.stop)
        try:
            job.result = zlib.compress(json.dumps(job.work(context)).encode(), 1)
        except (DutytraceError, OSError) as fault:
            job.fault, job.state = str(fault), "failed"
        except Exception:
            log.exception("%s failed", job.owner)
            job.fault = "It failed by a fault of this program; the server's terminal shows it."
            job.state = "failed"
        else:
            job.state = "stopped" if job.stop.is_set() else "done"


def _accepts_work(executor: Executor | None) -> bool:
    """Return whether tasks can be submitted to an executor that has worked before.

    It waits until that is answered: a task that finds no process idle starts another, which loads
    this program once more.
    """
    if executor is None:
        return True
    try:
        wait([executor.submit(int)], _ASKED_S)
    except BrokenExecutor:
        return False
    return True
