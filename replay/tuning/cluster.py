"""The workers of a Dask cluster as an executor for a sweep.

Who works is asked before anything is: each worker needs this very dutytrace, and the numpy and
pyarrow that its figures come from, or the result would not be that of one process. A task whose
worker dies is given to another by the scheduler. No wait is endless: a scheduler that is gone, or a
cluster without workers, ends the sweep in a sentence.
"""

import asyncio
import logging
import queue
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError, Executor, Future
from contextlib import contextmanager
from functools import partial
from importlib import metadata
from typing import Any, Final, TypeVar

from logger.errors import DutytraceError, InputError, OutsideFault
from replay.evaluation.alert_arrays import AlertArrays
from replay.evaluation.tasks import StoppedError, Task, worked_unless_stopped
from replay.tuning.executors import SweepExecutor, process_executor

__all__ = ["DaskExecutor", "dask_executor"]

_CONNECT_S: Final = 10.0
_ANSWER_S: Final = 15.0
"""How long a worker may take to say its versions, and a cluster may be without workers."""
_ALIVE_CHECK_S: Final = 2.0
_SAME_VERSIONS: Final = ("dutytrace", "numpy", "pyarrow")

Result = TypeVar("Result")


def _run_on_worker(task: Task) -> list[AlertArrays] | None:
    """Do a task on a worker; None: nobody wants it any more."""
    from distributed import get_worker  # noqa: PLC0415 - an optional extra

    worker = get_worker()
    key = worker.get_current_task()

    def report_progress(_share: float) -> None:
        task_state = worker.state.tasks.get(key)
        if task_state is None or task_state.state == "cancelled":
            raise StoppedError

    try:
        return worked_unless_stopped(task, report_progress)
    except DutytraceError as fault:
        raise type(fault)(f"{fault} That was on the worker {socket.gethostname()}.") from None


class DaskExecutor(SweepExecutor):
    """The workers behind a scheduler."""

    def __init__(self, client: Any, address: str) -> None:  # noqa: ANN401 - an optional extra
        self._client = client
        self._address = address
        self._checked_s = self._last_alive_s = time.monotonic()

    def thread_count(self) -> int:
        """Return how many tasks are worked on at a time.

        Raises
        ------
        OutsideFault
            The scheduler does not answer.
        """
        try:
            return sum(self._client.nthreads(callback_timeout=_CONNECT_S).values())
        except (OSError, TimeoutError) as fault:
            raise OutsideFault(
                f"{self._address}: the scheduler does not answer ({_fault_reason(fault)})."
            ) from fault

    def submit_task(self, task: Task) -> "Future[list[AlertArrays] | None]":
        """Give a task to the scheduler.

        Raises
        ------
        OutsideFault
            It takes none any more.
        """
        # What was asked before took its time, and says nothing of who works now.
        self._checked_s = self._last_alive_s = time.monotonic()
        try:
            executor = self._client.get_executor(pure=False)
            future: Future[list[AlertArrays] | None] = executor.submit(_run_on_worker, task)
        except (OSError, RuntimeError) as fault:
            raise OutsideFault(
                f"{self._address}: the scheduler takes no tasks ({_fault_reason(fault)})."
            ) from fault
        return future

    def translate_fault(self, fault: BaseException) -> BaseException:
        """Return what a fault of a task is: what nobody here cancelled went with the scheduler."""
        if isinstance(fault, CancelledError):
            return OutsideFault(
                f"{self._address}: the connection to the scheduler broke in mid-sweep. Nothing was "
                "chosen on a part: begin it again."
            )
        return fault

    def check_alive(self) -> None:
        """Look whether anybody works.

        Raises
        ------
        OutsideFault
            Nobody has for a while, or the scheduler does not answer.
        """
        now_s = time.monotonic()
        if now_s - self._checked_s < _ALIVE_CHECK_S:
            return
        try:
            working = bool(self._client.nthreads(callback_timeout=_ALIVE_CHECK_S))
        except (OSError, TimeoutError):
            working = False
        self._checked_s = time.monotonic()
        if working:
            self._last_alive_s = self._checked_s
        elif self._checked_s - self._last_alive_s > _ANSWER_S:
            raise OutsideFault(
                f"{self._address}: no worker has been there for {_ANSWER_S:.0f} s, or the "
                "scheduler does not answer. Nothing was chosen on a part: start workers, then "
                "begin it again."
            )


@contextmanager
def dask_executor(address: str | None, *, jobs: int) -> Iterator[tuple[Executor | None, int]]:
    """Give an executor, and how many tasks it works on at a time.

    `address`: of a Dask scheduler; None: so many processes here.

    Raises
    ------
    InputError
        The extra is not installed, it is no address, or a worker is not like this process.
    OutsideFault
        The scheduler cannot be reached, or has no workers.
    """
    if address is None:
        with process_executor(jobs) as pool:
            yield pool, jobs
        return
    client = _connect_client(address)
    try:
        cluster = DaskExecutor(client, address)
        _wait_for_worker(client, address)
        _check_versions(client, address)
        yield cluster, cluster.thread_count()
    finally:
        client.close(timeout=_ALIVE_CHECK_S)


def _connect_client(address: str) -> Any:  # noqa: ANN401 - an optional extra
    try:
        from distributed import Client  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise InputError(
            "--cluster: Dask's distributed library is not installed; expected it: "
            "pip install 'dutytrace[cluster]'."
        ) from None
    # What it would print of a lost connection is said in a sentence.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        # A client asks without end whatever takes its connection, so that is asked first.
        kind = asyncio.run(_server_kind(address))
    except (OSError, TimeoutError) as fault:
        raise OutsideFault(
            f"{address}: no Dask scheduler can be reached there ({_fault_reason(fault)}). Start one with "
            "`dask scheduler`, which prints its address."
        ) from None
    except Exception as fault:  # noqa: BLE001 - its parsers of addresses raise whatever they meet
        raise InputError(
            f"--cluster: found {address!r} ({_fault_reason(fault)}), expected the address of a Dask "
            "scheduler, such as tcp://10.0.0.5:8786."
        ) from None
    if kind != "Scheduler":
        raise InputError(
            f"--cluster: found a {kind} at {address}, expected the scheduler that it works for."
        )
    make: Any = Client
    try:
        return make(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError) as fault:
        raise OutsideFault(
            f"{address}: the scheduler there takes no client ({_fault_reason(fault)})."
        ) from None


async def _server_kind(address: str) -> str:
    """Return what answers at an address; raises OSError or TimeoutError when nothing does."""
    from distributed import rpc  # noqa: PLC0415 - an optional extra

    async with asyncio.timeout(_CONNECT_S):
        ask: Any = rpc
        async with ask(address, timeout=_CONNECT_S) as there:
            return str((await there.identity())["type"])


def _wait_for_worker(client: Any, address: str) -> None:  # noqa: ANN401 - an optional extra
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except (OSError, TimeoutError):
        raise OutsideFault(
            f"{address}: found a scheduler without workers, expected at least one. Start some with "
            f"`dask worker {address}`."
        ) from None


def _check_versions(client: Any, address: str) -> None:  # noqa: ANN401 - an optional extra
    for name in _SAME_VERSIONS:
        # A function that every worker has, whatever else is installed there.
        ask = partial(client.run, metadata.version, name, on_error="return")
        versions: dict[str, Any] = _call_within(
            _ANSWER_S, ask, f"{address}: its workers do not answer."
        )
        here = metadata.version(name)
        for worker, version in sorted(versions.items()):
            if version == here:
                continue
            difference = (
                f"no {name}"
                if isinstance(version, metadata.PackageNotFoundError)
                else f"{name} {version}"
            )
            raise InputError(
                f"{address}: found {difference} on the worker {worker}, expected {name} {here} as here: "
                "the result would not be that of one process. Install the same there."
            )


def _call_within(seconds: float, call: Callable[[], Result], otherwise: str) -> Result:
    """Return what a call gives that knows no time limit itself."""
    answers: queue.SimpleQueue[Result | Exception] = queue.SimpleQueue()

    def ask() -> None:
        try:
            answers.put(call())
        except Exception as fault:  # noqa: BLE001 - it is raised where it was asked
            answers.put(fault)

    threading.Thread(target=ask, daemon=True).start()
    try:
        outcome = answers.get(timeout=seconds)
    except queue.Empty:
        raise OutsideFault(otherwise) from None
    if isinstance(outcome, Exception):
        raise OutsideFault(f"{otherwise} ({_fault_reason(outcome)})") from outcome
    return outcome


def _fault_reason(fault: BaseException) -> str:
    return " ".join(str(fault).split()) or "nothing answered"
