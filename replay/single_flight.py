"""Work that several threads request at once is done once; the newest results are cached.

A thread that requests what another one is computing waits for it, and gets its exception if it
fails; an exception is not cached. Safe for several threads.
"""

from collections.abc import Callable, Hashable
from concurrent.futures import Future
from threading import Lock
from typing import Generic, TypeVar

from logger.store.layout.byte_cache import ByteLruCache

__all__ = ["SingleFlight"]

T = TypeVar("T")


class SingleFlight(Generic[T]):
    """A cache of results by key, at most `most` of them."""

    def __init__(self, *, most: int) -> None:
        self._results: ByteLruCache[Future[T]] = ByteLruCache(max_bytes=most)
        self._lock = Lock()

    def __len__(self) -> int:
        """Return how many results are cached."""
        return self._results.size_bytes

    def drop(self, key: Hashable) -> None:
        """Keep nothing under a key any more; who waits for its result still gets it."""
        self._results.drop(key)

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return the result for a key; call `make` only if it is neither cached nor running."""
        with self._lock:
            work = self._results.get(key)
            mine = work is None
            if work is None:
                work = Future()
                # Each counts as 1, so that the bound of the cache is a number of results.
                self._results.put(key, work, size_bytes=1)
        if mine:
            try:
                work.set_result(make())
            except BaseException as fault:
                self._results.drop(key)
                work.set_exception(fault)
                raise
        return work.result()
