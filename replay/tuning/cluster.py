"""The workers of a Dask cluster as an executor for a sweep.

Before a sweep every worker reports its versions: each needs the same dutytrace, numpy and pyarrow
as this process, or the result might differ from that of one process. The scheduler gives a task
whose worker dies to another one. No wait is endless: a scheduler that is gone, or a cluster without
workers, ends the sweep with an error.
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
from replay.evaluation.tasks import StoppedError, Task, run_unless_stopped
from replay.tuning.executors import SweepExecutor, process_executor

__all__ = ["DaskExecutor", "dask_executor"]

_CONNECT_S: Final = 10.0
_ANSWER_S: Final = 15.0
"""How long a worker may take to report its versions, and a cluster may be without workers."""
_ALIVE_CHECK_S: Final = 2.0
_SAME_VERSIONS: Final = ("dutytrace", "numpy", "pyarrow")

Result = TypeVar("Result")


def _run_on_worker(task: Task) -> list[AlertArrays] | None:
    """Run a task on a worker; None where the sweep was stopped or its client is gone."""
    from distributed import get_worker  # noqa: PLC0415 - an optional extra

    worker = get_worker()
    key = worker.get_current_task()

    def report_progress(_share: float) -> None:
        task_state = worker.state.tasks.get(key)
        if task_state is None or task_state.state == "cancelled":
            raise StoppedError

    try:
        return run_unless_stopped(task, report_progress)
    except DutytraceError as fault:
        raise type(fault)(f"{fault} That was on the worker {socket.gethostname()}.") from None


class DaskExecutor(SweepExecutor):
    """The workers of one scheduler."""

    def __init__(self, client: Any, address: str) -> None:  # noqa: ANN401 - an optional extra
        self._client = client
        self._address = address
        self._checked_s = self._last_alive_s = time.monotonic()

    def thread_count(self) -> int:
        """Return how many tasks run at a time: the threads of all workers.

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
            The scheduler accepts no task any more.
        """
        # Time that passed before this call says nothing about the workers now.
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
        """Return the error to raise for one of a task.

        A task that is cancelled, though not by this process, was lost with the scheduler.
        """
        if isinstance(fault, CancelledError):
            return OutsideFault(
                f"{self._address}: the connection to the scheduler broke in mid-sweep. Nothing was "
                "chosen on a part: begin it again."
            )
        return fault

    def check_alive(self) -> None:
        """Ask the scheduler, every two seconds at most, whether there are workers.

        Raises
        ------
        OutsideFault
            There has been none for 15 s, or the scheduler has not answered for so long.
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
    """Yield an executor, and how many tasks it runs at a time.

    Parameters
    ----------
    address
        Of a Dask scheduler; None: processes of this machine.
    jobs
        How many processes; 1 yields no executor but None.

    Raises
    ------
    InputError
        The extra is not installed, `address` is none, or a worker has other versions.
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
    # It would print tracebacks of a lost connection, which is reported as an error here.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        # A client waits without end for an answer of whatever accepts its connection; so it is
        # asked what it is first.
        kind = asyncio.run(_server_kind(address))
    except (OSError, TimeoutError) as fault:
        raise OutsideFault(
            f"{address}: no Dask scheduler can be reached there ({_fault_reason(fault)}). "
            "Start one with `dask scheduler`, which prints its address."
        ) from None
    except Exception as fault:  # noqa: BLE001 - its parsers of addresses raise whatever they meet
        raise InputError(
            f"--cluster: found {address!r} ({_fault_reason(fault)}), expected the address of a "
            "Dask scheduler, such as tcp://10.0.0.5:8786."
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
    """Return the kind of server at an address, "Scheduler" or "Worker".

    Raises
    ------
    OSError, TimeoutError
        Nothing answers there.
    """
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
                f"{address}: found {difference} on the worker {worker}, expected {name} {here} as "
                "here: the result would not be that of one process. Install the same there."
            )


def _call_within(seconds: float, call: Callable[[], Result], otherwise: str) -> Result:
    """Return the result of a call that has no time limit of its own.

    Raises
    ------
    OutsideFault
        With the text `otherwise`: it took longer, or raised.
    """
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
