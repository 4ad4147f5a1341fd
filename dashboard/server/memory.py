"""Returns free memory to the system where the C library (glibc) would keep it.

The server reads in several threads, each with a heap of its own that glibc never shrinks: without
this it holds half as much again as it needs. Other C libraries are left as they are.
"""

import asyncio
import ctypes
import sys
from typing import Final

import pyarrow as pa

__all__ = ["limit_heaps", "release_free_memory"]

TRIM_PERIOD_S: Final = 2.0
MAX_HEAPS: Final = 2
_M_ARENA_MAX: Final = -8
"""Number of the option M_ARENA_MAX in malloc.h."""


def limit_heaps() -> None:
    """Make all threads and Arrow use the same two heaps; to be called before threads start."""
    # Arrow's own allocator keeps pools for each thread.
    pa.set_memory_pool(pa.system_memory_pool())
    if sys.platform == "linux":
        option = getattr(ctypes.CDLL(None), "mallopt", None)
        if option is not None:
            option(_M_ARENA_MAX, MAX_HEAPS)


async def release_free_memory() -> None:
    """Return free memory to the system every two seconds, until cancelled; takes milliseconds."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    while trim is not None:
        await asyncio.sleep(TRIM_PERIOD_S)
        await asyncio.to_thread(trim, 0)
