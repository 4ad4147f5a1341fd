"""Work that takes longer than a question: exact answers, and sweeps. One piece at a time.

It runs in processes of its own, so that the pages stay quick; whoever asked looks after it by its
number. A newer piece of the same page takes the place of the one before. The processes end when
there has been nothing to do for a while, and with the server.
"""

import itertools
import json
import logging
import threading
import time
import zlib
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor
from dataclasses import dataclass, field
from typing import Any, Final

from logger.errors import DutytraceError
from replay.tuning.executors import Progress, cores, processes

__all__ = ["Means", "Piece", "Toil", "Work"]

log = logging.getLogger(__name__)

IDLE_S: Final = 60.0
KEPT: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """What a piece of work is done with."""

    executor: Executor | None
    jobs: int
    """How many tasks the executor works on at a time."""
    progress: Progress
    stop: threading.Event
    """Set from outside to end it."""


Work = Callable[[Means], dict[str, Any]]
"""Returns what the page is told at the end, as JSON can carry it."""


@dataclass(slots=True, kw_only=True)
class Piece:
    """One piece of work, as far as it has come."""

    number: int
    owner: str
    """The page and what it asked for; a newer piece of the same takes its place."""
    work: Work
    share: float = 0.0
    began_s: float | None = None
    state: str = "waiting"
    """Then "running", "done", "stopped" or "failed"."""
    fault: str = ""
    result: bytes = b""
    """As JSON, pressed: thousands of points, of which a page takes one look."""
    stop: threading.Event = field(default_factory=threading.Event)

    def plain(self, now_s: float) -> dict[str, Any]:
        """Return how it stands, with its result at the end."""
        told: dict[str, Any] = {"number": self.number, "state": self.state, "share": self.share}
        if self.state == "running" and self.began_s is not None and self.share > 0.02:
            gone_s = now_s - self.began_s
            told["left_s"] = round(gone_s * (1.0 - self.share) / self.share, 1)
        if self.fault:
            told["fault"] = self.fault
        if self.state in {"done", "stopped"}:
            told["result"] = json.loads(zlib.decompress(self.result)) if self.result else {}
        return told


class Toil:
    """Does pieces of work in the order in which they come. Safe for several threads."""

    def __init__(self, stop: threading.Event) -> None:
        """`stop` is set when the server begins to end."""
        self._stop = stop
        self._changed = threading.Condition()
        self._pieces: OrderedDict[int, Piece] = OrderedDict()
        self._numbers = itertools.count(1)
        self._thread: threading.Thread | None = None

    def begin(self, owner: str, work: Work) -> int:
        """Put a piece of work in line and return its number."""
        with self._changed:
            for piece in self._pieces.values():
                if piece.owner == owner and piece.state in {"waiting", "running"}:
                    self._end(piece)
            piece = Piece(number=next(self._numbers), owner=owner, work=work)
            self._pieces[piece.number] = piece
            over = [one for one in self._pieces.values() if one.state not in {"waiting", "running"}]
            for old in over[: max(len(self._pieces) - KEPT, 0)]:
                del self._pieces[old.number]
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._run, name="toil", daemon=True)
                self._thread.start()
            self._changed.notify_all()
            return piece.number

    def plain(self, number: int) -> dict[str, Any] | None:
        """Return how a piece stands; None: it is not known (any more)."""
        with self._changed:
            piece = self._pieces.get(number)
            return None if piece is None else piece.plain(time.monotonic())

    def end(self, number: int) -> None:
        """Stop a piece; what is done of it is kept."""
        with self._changed:
            piece = self._pieces.get(number)
            if piece is not None:
                self._end(piece)

    def _end(self, piece: Piece) -> None:
        piece.stop.set()
        if piece.state == "waiting":
            piece.state = "stopped"

    def _next(self) -> Piece | None:
        """Wait for the next piece; None: there was none for a while, or the server ends."""
        with self._changed:
            deadline_s = time.monotonic() + IDLE_S
            while not self._stop.is_set():
                waiting = [one for one in self._pieces.values() if one.state == "waiting"]
                if waiting:
                    waiting[0].state = "running"
                    waiting[0].began_s = time.monotonic()
                    return waiting[0]
                left_s = deadline_s - time.monotonic()
                if left_s <= 0:
                    break
                self._changed.wait(min(left_s, 0.5))
            self._thread = None
            return None

    def _run(self) -> None:
        jobs = cores()
        piece = self._next()
        while piece is not None:
            # Anew when one of its processes died, which ends all of them.
            with processes(jobs) as executor:
                while piece is not None and _alive(executor):
                    self._do(piece, executor, jobs)
                    piece = self._next()

    def _do(self, piece: Piece, executor: Executor | None, jobs: int) -> None:
        def progress(share: float) -> None:
            piece.share = share
            if self._stop.is_set():
                piece.stop.set()

        means = Means(executor=executor, jobs=jobs, progress=progress, stop=piece.stop)
        try:
            piece.result = zlib.compress(json.dumps(piece.work(means)).encode(), 1)
        except (DutytraceError, OSError) as fault:
            piece.fault, piece.state = str(fault), "failed"
        except Exception:
            log.exception("a sweep or an exact answer ended early")
            piece.fault = "It ended early by a fault of this program; the server's terminal has it."
            piece.state = "failed"
        else:
            piece.state = "stopped" if piece.stop.is_set() else "done"


def _alive(executor: Executor | None) -> bool:
    """Return whether work can be given to an executor."""
    if executor is None:
        return True
    try:
        executor.submit(int)
    except BrokenExecutor:
        return False
    return True
