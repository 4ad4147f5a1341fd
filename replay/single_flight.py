"""Work that several threads ask for at once is done once; the newest results are kept.

Who asks for what another one is working out waits for it, and gets its fault if it fails; nothing
is kept of a fault. Safe for several threads.
"""

from collections.abc import Callable, Hashable
from concurrent.futures import Future
from threading import Lock
from typing import Generic, TypeVar

from logger.store.layout.byte_cache import ByteLruCache

__all__ = ["SingleFlight"]

T = TypeVar("T")


class SingleFlight(Generic[T]):
    """The results of some work by key, at most so many of them."""

    def __init__(self, *, most: int) -> None:
        self._results: ByteLruCache[Future[T]] = ByteLruCache(max_bytes=most)
        self._lock = Lock()

    def __len__(self) -> int:
        """Return how many results are kept."""
        return self._results.size_bytes

    def drop(self, key: Hashable) -> None:
        """Keep nothing under a key any more; who waits for its result still gets it."""
        self._results.drop(key)

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what `make` gives, called only where no call for the key is known."""
        with self._lock:
            work = self._results.get(key)
            mine = work is None
            if work is None:
                work = Future()
                # Counted, not weighed: each is one of `most`.
                self._results.put(key, work, size_bytes=1)
        if mine:
            try:
                work.set_result(make())
            except BaseException as fault:
                self._results.drop(key)
                work.set_exception(fault)
                raise
        return work.result()
