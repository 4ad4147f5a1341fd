"""Batches read ahead by a thread of its own, a few of them at most.

Reading and unpacking continue while the caller decodes and stores; an exception of that thread is
raised in the caller's.
"""

import queue
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Final, TypeVar

__all__ = ["prefetch_batches"]

Batch = TypeVar("Batch")

PREFETCH_DEPTH: Final = 4
"""Most batches that are read ahead."""


@contextmanager
def prefetch_batches(batches: Iterable[Batch]) -> Iterator[Iterator[Batch]]:
    """Return an iterator over batches that another thread reads ahead; raises its exception.

    Only that thread uses `batches`; it has ended when the context ends.
    """
    batch_queue: queue.Queue[Batch | BaseException | None] = queue.Queue(PREFETCH_DEPTH)
    finished = threading.Event()

    def put_queued(queued_item: Batch | BaseException | None) -> None:
        while not finished.is_set():
            with suppress(queue.Full):
                batch_queue.put(queued_item, timeout=0.1)
                return

    def fetch_batches() -> None:
        batch_iterator = iter(batches)
        try:
            for batch in batch_iterator:
                put_queued(batch)
                if finished.is_set():
                    break
            put_queued(None)
        except BaseException as fault:  # noqa: BLE001 - whatever it is, the caller must know
            put_queued(fault)
        finally:
            # Files are closed by the thread that opened them.
            close = getattr(batch_iterator, "close", None)
            if close is not None:
                close()

    def take_queued() -> Iterator[Batch]:
        while (queued_item := batch_queue.get()) is not None:
            if isinstance(queued_item, BaseException):
                raise queued_item
            yield queued_item

    thread = threading.Thread(target=fetch_batches, name="ahead", daemon=True)
    thread.start()
    try:
        yield take_queued()
    finally:
        finished.set()
        thread.join()
