"""The newest of what was read, up to so many bytes: the next window asks for most of it again.

Safe for several threads. What is kept is immutable, and whoever puts it in says how large it is;
what was asked for longest ago goes first. It never reads by itself.
"""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

__all__ = ["ByteLruCache"]

T = TypeVar("T")


class ByteLruCache(Generic[T]):
    """Values by key, the newest of them."""

    def __init__(self, *, max_bytes: int) -> None:
        self._max_bytes = max_bytes
        self._bytes = 0
        self._entries: OrderedDict[Hashable, tuple[T, int]] = OrderedDict()
        self._lock = Lock()

    @property
    def size_bytes(self) -> int:
        """How large all of it is."""
        return self._bytes

    def get(self, key: Hashable) -> T | None:
        """Return what is kept under a key, None when it is not (any more)."""
        with self._lock:
            entry = self._entries.get(key)
            if entry is None:
                return None
            self._entries.move_to_end(key)
            return entry[0]

    def put(self, key: Hashable, value: T, *, size_bytes: int) -> None:
        """Keep a value, in place of what was kept under its key."""
        with self._lock:
            replaced = self._entries.pop(key, None)
            if replaced is not None:
                self._bytes -= replaced[1]
            self._entries[key] = (value, size_bytes)
            self._bytes += size_bytes
            while self._bytes > self._max_bytes:
                _, (_, evicted) = self._entries.popitem(last=False)
                self._bytes -= evicted

    def drop(self, key: Hashable) -> None:
        """Keep nothing under a key any more."""
        with self._lock:
            old = self._entries.pop(key, None)
            if old is not None:
                self._bytes -= old[1]

    def get_or_make(self, key: Hashable, make: Callable[[], T], size_of: Callable[[T], int]) -> T:
        """Return what is kept under a key, made now where nothing is.

        The work is done outside of the lock: two that ask at once may both do it.
        """
        cached = self.get(key)
        if cached is None:
            cached = make()
            self.put(key, cached, size_bytes=size_of(cached))
        return cached
