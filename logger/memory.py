"""Keeps the C library (glibc) from holding memory that the program has freed.

By default glibc gives each thread that allocates a heap of its own, up to eight a core, and shrinks
none of them while one block near its end is in use: a process with several threads holds far more
than it needs, and more each hour. Arrow's own allocators keep pools for each thread as well. Other
C libraries are left as they are.
"""

import ctypes
import sys
from typing import Final

__all__ = ["limit_heap_growth", "return_free_memory"]

MAX_HEAPS: Final = 2
"""One for the main thread, one for all others."""
_M_ARENA_MAX: Final = -8
"""Number of the option M_ARENA_MAX in glibc's malloc.h."""


def limit_heap_growth() -> None:
    """Make all threads, and Arrow, use the same two heaps; to be called before threads start."""
    # Imported here: the commands that only print need no Arrow.
    import pyarrow as pa  # noqa: PLC0415

    pa.set_memory_pool(pa.system_memory_pool())
    if sys.platform == "linux":
        option = getattr(ctypes.CDLL(None), "mallopt", None)
        if option is not None:
            option(_M_ARENA_MAX, MAX_HEAPS)


def return_free_memory() -> None:
    """Return what is free in all heaps to the system; takes milliseconds."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)
