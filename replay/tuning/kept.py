"""Things that were worked out, kept as long as they fit into a stated number of bytes.

What was asked for longest ago goes first. Safe for several threads; the work itself is done
outside of the lock, so two that ask for the same at once may both do it.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

__all__ = ["Kept"]

T = TypeVar("T")


class Kept(Generic[T]):
    """At most `most_bytes` of things of one sort, each by its key."""

    def __init__(self, most_bytes: int, size_of: Callable[[T], int]) -> None:
        self._most = most_bytes
        self._size_of = size_of
        self._lock = threading.Lock()
        self._things: OrderedDict[Hashable, T] = OrderedDict()
        self._bytes = 0

    def get(self, key: Hashable) -> T | None:
        """Return what is kept under a key, None where nothing is."""
        with self._lock:
            found = self._things.get(key)
            if found is not None:
                self._things.move_to_end(key)
            return found

    def put(self, key: Hashable, thing: T) -> T:
        """Keep a thing; one that is larger than all room is given back and not kept."""
        size = self._size_of(thing)
        with self._lock:
            before = self._things.pop(key, None)
            if before is not None:
                self._bytes -= self._size_of(before)
            if size > self._most:
                return thing
            self._things[key] = thing
            self._bytes += size
            while self._bytes > self._most:
                _, oldest = self._things.popitem(last=False)
                self._bytes -= self._size_of(oldest)
        return thing

    def made(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what is kept under a key, made now where nothing is."""
        found = self.get(key)
        return self.put(key, make()) if found is None else found
