"""A thread for what waits for the disk, so that the thread that writes rows never does."""

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, ParamSpec, TypeVar

__all__ = ["DiskThread"]

P = ParamSpec("P")
T = TypeVar("T")


class DiskThread:
    """Does one task after another, in order; a fault of one is raised to whoever looks next."""

    def __init__(self, name: str) -> None:
        self._executor = ThreadPoolExecutor(1, thread_name_prefix=name)
        self._tasks: deque[Future[Any]] = deque()

    def submit(self, task: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> "Future[T]":
        """Do a task after those submitted before; returns at once."""
        future = self._executor.submit(task, *args, **kwargs)
        self._tasks.append(future)
        return future

    def raise_fault(self) -> None:
        """Raise what a task that has ended by now raised, if one did."""
        while self._tasks and self._tasks[0].done():
            self._tasks.popleft().result()

    def wait(self) -> None:
        """Wait for all tasks; raises what one of them raised."""
        while self._tasks:
            self._tasks.popleft().result()

    def shutdown(self) -> None:
        """Wait for all tasks, whatever becomes of them; no other can be submitted."""
        self._executor.shutdown(wait=True)
