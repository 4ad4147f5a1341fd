"""Keeps a long-running process small: what it frees goes back, what it has no use for stays out.

By default glibc gives each thread that allocates a heap of its own, up to eight a core, and shrinks
none of them while one block near its end is in use: a process with several threads holds far more
than it needs, and more each hour. Arrow's own allocators keep pools for each thread as well. Other
C libraries are left as they are.

Arrow loads pandas, where it is installed, the first time that it converts anything, in case it is
given some of it: 30 MB and a third of a second for a recorder that has none.

numpy's linear algebra starts a thread a core, with memory of its own, and spins until all of them
have done their share: beside a browser that takes the other core, a product of 24,000 numbers waits
milliseconds for what one thread does in four microseconds.
"""

import ctypes
import os
import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from types import ModuleType
from typing import Final

__all__ = ["compute_on_one_thread", "leave_out_pandas", "limit_heap_growth", "return_free_memory"]

MAX_HEAPS: Final = 2
"""One for the main thread, one for all others."""
_M_ARENA_MAX: Final = -8
"""Number of the option M_ARENA_MAX in glibc's malloc.h."""


def leave_out_pandas() -> None:
    """Have every later import of pandas fail, as where it is not installed; Arrow does without it.

    For a process whose own code never uses it. One that has been loaded stays.
    """
    if not any(isinstance(finder, _NoPandas) for finder in sys.meta_path):
        sys.meta_path.insert(0, _NoPandas())


class _NoPandas(MetaPathFinder):
    """Is asked for every module before it is looked for."""

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> None:
        if name == "pandas":
            raise ModuleNotFoundError("pandas is left out of this process", name=name)


def compute_on_one_thread() -> None:
    """Have numpy's linear algebra compute on the thread that calls it; before numpy is loaded.

    For processes that this one starts too. What the environment says already stays.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


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
