"""Batches fetched beforehand: all of them, in order, by one thread that ends."""

import threading
from collections.abc import Iterator

import pytest

from logger.importing.prefetch import PREFETCH_DEPTH, prefetch_batches
from logger.joint.batch import FrameBatch


def _counted(count: int, seen: list[str]) -> Iterator[FrameBatch]:
    try:
        for place in range(count):
            seen.append(threading.current_thread().name)
            yield FrameBatch.from_rows([(place, 1, 0, b"")])
    finally:
        seen.append(f"closed by {threading.current_thread().name}")


def test_all_in_order_by_one_thread():
    """What is fetched comes out as it is, and is closed where it was opened."""
    seen: list[str] = []
    with prefetch_batches(_counted(20, seen)) as batches:
        assert [int(batch.time_ns[0]) for batch in batches] == list(range(20))
    assert set(seen) == {"ahead", "closed by ahead"}


def test_leaving_early_ends_the_thread():
    """No more than a few batches are fetched for nothing, and no thread is left."""
    seen: list[str] = []
    with prefetch_batches(_counted(10_000, seen)) as batches:
        next(batches)
    assert seen[-1] == "closed by ahead"
    assert len(seen) <= PREFETCH_DEPTH + 4
    assert "ahead" not in {thread.name for thread in threading.enumerate()}


def test_a_fault_comes_out():
    """What the fetching thread met is raised where the batches are taken."""

    def broken() -> Iterator[FrameBatch]:
        yield FrameBatch.empty()
        raise ValueError("torn")

    with prefetch_batches(broken()) as batches:
        next(batches)
        with pytest.raises(ValueError, match="torn"):
            next(batches)
