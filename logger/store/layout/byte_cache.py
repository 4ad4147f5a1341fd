"""The newest of what was read, up to so many bytes: the next window asks for most of it again.

Safe for several threads. What is kept is immutable, and whoever puts it in says how large it is;
what was asked for longest ago goes first. It never reads by itself.
"""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

__all__ = ["Kept"]

T = TypeVar("T")


class Kept(Generic[T]):
    """Values by key, the newest of them."""

    def __init__(self, *, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._bytes = 0
        self._held: OrderedDict[Hashable, tuple[T, int]] = OrderedDict()
        self._lock = Lock()

    @property
    def size_bytes(self) -> int:
        """How large all of it is."""
        return self._bytes

    def get(self, key: Hashable) -> T | None:
        """Return what is kept under a key, None when it is not (any more)."""
        with self._lock:
            found = self._held.get(key)
            if found is None:
                return None
            self._held.move_to_end(key)
            return found[0]

    def put(self, key: Hashable, value: T, *, size_bytes: int) -> None:
        """Keep a value, in place of what was kept under its key."""
        with self._lock:
            old = self._held.pop(key, None)
            if old is not None:
                self._bytes -= old[1]
            self._held[key] = (value, size_bytes)
            self._bytes += size_bytes
            while self._bytes > self._most_bytes:
                _, (_, gone) = self._held.popitem(last=False)
                self._bytes -= gone

    def made(self, key: Hashable, make: Callable[[], T], size_of: Callable[[T], int]) -> T:
        """Return what is kept under a key, made now where nothing is.

        The work is done outside of the lock: two that ask at once may both do it.
        """
        found = self.get(key)
        if found is None:
            found = make()
            self.put(key, found, size_bytes=size_of(found))
        return found
