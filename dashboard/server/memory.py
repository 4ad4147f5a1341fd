"""Memory that is free goes back to the system, where the C library would keep it (glibc does).

A server reads a window in one thread, a journal in another, and holds for ever what each took once:
half as much again as it needs. Other C libraries are left as they are.
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
"""The option's number in malloc.h."""


def limit_heaps() -> None:
    """Let all threads and Arrow take from the same few heaps; to be called before there are any."""
    # Arrow's own allocator keeps pools for each thread.
    pa.set_memory_pool(pa.system_memory_pool())
    if sys.platform == "linux":
        option = getattr(ctypes.CDLL(None), "mallopt", None)
        if option is not None:
            option(_M_ARENA_MAX, MAX_HEAPS)


async def release_free_memory() -> None:
    """Give back what is free, every other second (some milliseconds' work), until cancelled."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    while trim is not None:
        await asyncio.sleep(TRIM_PERIOD_S)
        await asyncio.to_thread(trim, 0)
