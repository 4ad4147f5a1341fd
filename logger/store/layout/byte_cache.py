"""A cache of what was read, bounded by bytes: the next window reads most of it again.

Least recently used goes first. Safe for several threads: values are immutable, and the caller says
how large each is. It never reads by itself.
"""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

__all__ = ["ByteLruCache"]

T = TypeVar("T")


class ByteLruCache(Generic[T]):
    """Values by key, up to `max_bytes` of them; the least recently used are evicted."""

    def __init__(self, *, max_bytes: int) -> None:
        self._max_bytes = max_bytes
        self._bytes = 0
        self._entries: OrderedDict[Hashable, tuple[T, int]] = OrderedDict()
        self._lock = Lock()

    @property
    def size_bytes(self) -> int:
        """Bytes of all values together."""
        return self._bytes

    def get(self, key: Hashable) -> T | None:
        """Return the value of a key, None when it is not in the cache (any more)."""
        with self._lock:
            entry = self._entries.get(key)
            if entry is None:
                return None
            self._entries.move_to_end(key)
            return entry[0]

    def put(self, key: Hashable, value: T, *, size_bytes: int) -> None:
        """Put a value into the cache, replacing that of the same key."""
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
        """Remove a key, if it is in the cache."""
        with self._lock:
            old = self._entries.pop(key, None)
            if old is not None:
                self._bytes -= old[1]

    def get_or_make(self, key: Hashable, make: Callable[[], T], size_of: Callable[[T], int]) -> T:
        """Return the value of a key, made and cached now if it is not in the cache.

        `make` runs outside of the lock: two threads that miss at once may both run it.
        """
        cached = self.get(key)
        if cached is None:
            cached = make()
            self.put(key, cached, size_bytes=size_of(cached))
        return cached
