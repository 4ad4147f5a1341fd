"""Batches fetched beforehand by a thread of their own, a few of them at most.

Reading and unpacking go on while the caller decodes and stores; a fault of the one comes out at the
other.
"""

import queue
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Final

from logger.joint.batch import FrameBatch

__all__ = ["ahead"]

AHEAD: Final = 4
"""Batches that wait at most."""


@contextmanager
def ahead(batches: Iterable[FrameBatch]) -> Iterator[Iterator[FrameBatch]]:
    """Give batches that another thread fetches beforehand; its fault comes out here.

    That thread is the only one that touches `batches`, and is over when the context ends.
    """
    line: queue.Queue[FrameBatch | BaseException | None] = queue.Queue(AHEAD)
    over = threading.Event()

    def put(one: FrameBatch | BaseException | None) -> None:
        while not over.is_set():
            with suppress(queue.Full):
                line.put(one, timeout=0.1)
                return

    def fetch() -> None:
        fetched = iter(batches)
        try:
            for batch in fetched:
                put(batch)
                if over.is_set():
                    break
            put(None)
        except BaseException as fault:  # noqa: BLE001 - whatever it is, the caller must know
            put(fault)
        finally:
            # Files are closed by the thread that opened them.
            close = getattr(fetched, "close", None)
            if close is not None:
                close()

    def taken() -> Iterator[FrameBatch]:
        while (one := line.get()) is not None:
            if isinstance(one, BaseException):
                raise one
            yield one

    thread = threading.Thread(target=fetch, name="ahead", daemon=True)
    thread.start()
    try:
        yield taken()
    finally:
        over.set()
        thread.join()
