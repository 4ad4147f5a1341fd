"""Frames that come from somewhere else than a bus, at any pace: into a recording like any other.

It is there when it is whole. What brings the frames runs ahead on a thread of its own, by a few
batches; decoding, limits and store run on the caller's.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from logger.errors import InputError, OutsideFault
from logger.importing.prefetch import ahead
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench
from logger.limits.limit import LimitSet
from logger.recording.pipeline import Intake
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import begun
from logger.store.writing.bulk_writer import BulkWriter

__all__ = ["BroughtIn", "Said", "bring_in", "heed", "whole_or_nothing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """Something about the frames that is worth an event."""

    kind: str
    time_ns: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BroughtIn:
    """What a recording came to hold."""

    path: Path
    start_ns: int
    end_ns: int
    frames: int
    readings: dict[str, int]
    """Joint -> rows."""
    undecoded: int
    """Frames that no joint's layout explains."""
    said: tuple[Said, ...] = ()
    """What was said about the frames."""


def bring_in(
    frames: Iterable[FrameBatch],
    *,
    bench: Bench,
    limits: LimitSet,
    out: Path,
    name: str,
    start_ns: int | None = None,
    end_ns: int | None = None,
    note: str = "",
    simulated: bool = False,
    said: "deque[Said] | None" = None,
    progress: Callable[[int], None] = lambda _time_ns: None,
    stop: threading.Event | None = None,
) -> BroughtIn:
    """Make a recording of frames given in order of time.

    Parameters
    ----------
    start_ns, end_ns
        The recording's span; None: from the first frame, to just after the last.
    said
        What whoever brings the frames adds to while it does; becomes events.
    progress
        Called with the time of the newest frame.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        `out` exists or cannot be made, or the frames cannot be read; nothing was made.
    OutsideFault
        The disk took no more, or it was stopped; nothing was left behind.
    """
    said = deque() if said is None else said
    told: list[Said] = []
    with ahead(frames) as batches:
        first = next(batches, FrameBatch.empty())
        if start_ns is None:
            if len(first) == 0:
                raise InputError(f"{out}: found no frame to begin with.")
            start_ns = int(first.time_ns[0])
        manifest = begun(
            bench, name=name, note=note, started_ns=start_ns, simulated=simulated, limits=limits
        )
        writer = BulkWriter(out, manifest, bench)
        with whole_or_nothing(writer):
            intake = Intake(bench, limits, writer, start_ns=start_ns)
            intake.begin(start_ns, note=note)
            newest_ns = start_ns
            for batch in _with_first(first, batches):
                heed(stop, out)
                newest_ns = int(batch.time_ns[-1]) if len(batch) else newest_ns
                intake.take(batch, now_ns=newest_ns)
                told += _tell(said, intake)
                writer.tick()
                progress(newest_ns)
            end_ns = newest_ns + 1 if end_ns is None else end_ns
            told += _tell(said, intake)
            intake.take(FrameBatch.empty(), now_ns=end_ns)
            intake.tell_rest(end_ns)
            intake.say("ended", time_ns=end_ns, text="Recording ended.")
            heed(stop, out)
            writer.close(ended_ns=end_ns, cause="end of the frames")
    return BroughtIn(
        path=out,
        start_ns=start_ns,
        end_ns=end_ns,
        frames=writer.rows("frames"),
        readings={joint.name: writer.rows(status_stream(joint.name)) for joint in bench.joints},
        undecoded=intake.undecoded,
        said=tuple(told),
    )


@contextmanager
def whole_or_nothing(writer: BulkWriter) -> Iterator[None]:
    """Leave nothing behind when what fills a recording does not come to its end."""
    try:
        yield
    except KeyboardInterrupt:
        writer.abandon()
        raise stopped(writer.path) from None
    except BaseException:
        writer.abandon()
        raise


def heed(stop: threading.Event | None, out: Path) -> None:
    """Raise OutsideFault when `stop` is set."""
    if stop is not None and stop.is_set():
        raise stopped(out)


def stopped(out: Path) -> OutsideFault:
    """Return what is raised when it was ended from outside."""
    return OutsideFault(f"{out}: stopped before its end; nothing was left behind.")


def _tell(said: "deque[Said]", intake: Intake) -> list[Said]:
    told = []
    while said:
        one = said.popleft()
        intake.say(one.kind, time_ns=one.time_ns, text=one.text)
        told.append(one)
    return told


def _with_first(first: FrameBatch, rest: Iterator[FrameBatch]) -> Iterator[FrameBatch]:
    yield first
    yield from rest
