"""Heaps of a process with many threads, free memory that goes back, what stays out, one thread."""

import ctypes
import os
import subprocess
import sys
from textwrap import dedent

import pytest

GLIBC = sys.platform == "linux" and hasattr(ctypes.CDLL(None), "malloc_info")
HEAPS = """
    import ctypes, os, tempfile, threading
    from pathlib import Path

    def count_heaps():
        c = ctypes.CDLL(None)
        c.fopen.restype = ctypes.c_void_p
        name = os.path.join(tempfile.mkdtemp(), "heaps")
        file = ctypes.c_void_p(c.fopen(name.encode(), b"w"))
        c.malloc_info(0, file)
        c.fclose(file)
        return Path(name).read_text().count("<heap nr=")

    def allocate_in_threads(threads=8):
        meet = threading.Barrier(threads)

        def fill():
            meet.wait()
            blocks = [bytearray(4_000) for _ in range(300)]
            meet.wait()
            del blocks

        running = [threading.Thread(target=fill) for _ in range(threads)]
        for thread in running:
            thread.start()
        for thread in running:
            thread.join()
"""


def _run(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", dedent(HEAPS) + dedent(code)],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@pytest.mark.skipif(not GLIBC, reason="only glibc gives each thread a heap of its own")
def test_threads_share_two_heaps():
    """Eight threads that allocate at once have two heaps, where glibc would give them eight."""
    unlimited = int(_run("allocate_in_threads(); print(count_heaps())"))
    limited = int(
        _run("""
        from logger.memory import limit_heap_growth
        limit_heap_growth()
        allocate_in_threads()
        print(count_heaps())
        """)
    )
    assert unlimited > 2, "this library would not need the limit: the test shows nothing"
    assert limited <= 2


@pytest.mark.skipif(not GLIBC, reason="only glibc keeps what was freed")
def test_what_was_freed_goes_back():
    """Memory below a block that is in use goes back to the system when it is asked to."""
    before, after = map(
        int,
        _run("""
        from logger.memory import limit_heap_growth, return_free_memory

        def resident():
            pages = int(Path("/proc/self/statm").read_text().split()[1])
            return pages * os.sysconf("SC_PAGE_SIZE")

        limit_heap_growth()
        blocks = [bytearray(100_000) for _ in range(600)]
        last = blocks.pop()
        del blocks
        before = resident()
        return_free_memory()
        print(before, resident())
        """).split(),
    )
    assert before - after > 40_000_000


def test_arrow_uses_the_same_heaps():
    """What Arrow holds is in the heaps that are limited, not in pools of its own."""
    assert (
        _run("""
        import pyarrow
        from logger.memory import limit_heap_growth
        limit_heap_growth()
        print(pyarrow.default_memory_pool().backend_name)
        """)
        == "system"
    )


def test_arrow_does_without_pandas():
    """It would load it at the first conversion; told that there is none, it converts the same."""
    convert = dedent("""
        import sys
        import numpy as np
        import pyarrow as pa
        rows = pa.RecordBatch.from_pylist([{"a": 1}, {"a": None}])
        pa.array(np.arange(3))
        print(rows.to_pylist(), bool(sys.modules.get("pandas")))
    """)
    plain = _run(convert)
    without = _run("from logger.memory import leave_out_pandas\nleave_out_pandas()" + convert)
    assert plain == "[{'a': 1}, {'a': None}] True", "Arrow loads it no more: leave this out"
    assert without == "[{'a': 1}, {'a': None}] False"


@pytest.mark.skipif(sys.platform != "linux", reason="counts the threads that /proc lists")
def test_a_command_computes_on_one_thread():
    """Linear algebra would start a thread a core, which the one that computes waits for."""
    if (os.cpu_count() or 1) < 2 or "OPENBLAS_NUM_THREADS" in os.environ:
        pytest.skip("numpy starts no further thread here")
    count = "\nimport os, numpy\nprint(len(os.listdir('/proc/self/task')))"
    begin = dedent("""
        import sys
        import dutytrace
        sys.argv = ["dutytrace", "layout", "--help"]
        try:
            dutytrace.start()
        except SystemExit:
            pass
    """)
    assert int(_run(count)) > 1, "numpy starts no thread any more: leave this out"
    assert _run(begin + count).splitlines()[-1] == "1"
