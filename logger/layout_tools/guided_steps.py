"""The steps by which a layout is found, done live: buses listened to, a key press at each mark.

Nothing is sent, whatever the bench file allows. Frames are received by a thread of their own while
a person reads and moves the joint; they are kept as a log beside the proposal, so that what is
proposed can be found again from the same traffic.
"""

import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Final

from logger.arrays import to_s
from logger.bus.clock import RecordingClock, read_clocks
from logger.bus.source import Source, open_sources
from logger.errors import InputError
from logger.joint.batch import ERROR, EXTENDED, REMOTE, FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts, read_bench
from logger.joint.explain.trial import minimal_joint
from logger.settings_file import read_text, read_toml

__all__ = ["STEPS", "GuidedStep", "Listener", "bench_of_buses", "log_text"]

_RECEIVE_S: Final = 0.05
MAX_GUIDED_FRAMES: Final = 4_000_000


@dataclass(frozen=True, slots=True)
class GuidedStep:
    """What a person does, and the name that its mark has."""

    name: str
    what: str


STEPS: Final = (
    GuidedStep("rest", "Rest: let the joint stand still, cold, for 10 s."),
    GuidedStep(
        "turn",
        "Turn: one turn at the output, mark to mark, 2 s pause, and back; 6 to 20 s each way, by "
        "hand or by its own controller. All other joints stand still.",
    ),
    GuidedStep(
        "load",
        "Load: the known weight on the known arm. From hanging slowly to +90 degrees, hold 5 s, "
        "slowly through to -90, hold 5 s, and back; 20 to 40 s.",
    ),
    GuidedStep(
        "warm", "Warm: swing the loaded arm until it has warmed by some 5 degrees; 30 s or more."
    ),
)


def bench_of_buses(path: Path) -> Bench:
    """Return the bench of a file; one without joints is enough, since their layout is unknown.

    Raises
    ------
    InputError
        The bench file cannot be read or is wrong.
    """
    text = read_text(path, "bench file")
    if "joint" in read_toml(text, str(path)):
        return read_bench(path)
    name = "not-known"
    layout = f'format = 1\nname = "{name}"\n[[frame]]\nname = "-"\nidentifier = 0\nlength = 0\n'
    return bench_from_texts(text + minimal_joint(name), {name: layout}, where=str(path))


@dataclass(slots=True)
class Listener:
    """Listens to the first bus of a bench from `with` on, in a thread of its own."""

    bench: Bench
    where: str
    lost: int = 0
    """Frames that were dropped: too many at once."""
    _batches: list[FrameBatch] = field(default_factory=list)
    _count: int = 0
    _fault: InputError | None = None
    _ended: threading.Event = field(default_factory=threading.Event)
    _opened: ExitStack = field(default_factory=ExitStack)
    _clock: RecordingClock | None = None
    _thread: threading.Thread | None = None

    def __enter__(self) -> "Listener":
        quiet = tuple(bus.model_copy(update={"send": False}) for bus in self.bench.buses[:1])
        self._clock = RecordingClock(read_clocks())
        sources = open_sources(quiet, self._clock.anchor, where=self.where)
        for source in sources:
            self._opened.callback(source.close)
        self._thread = threading.Thread(target=self._listen, args=(sources[0],), name="listener")
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ended.set()
        if self._thread is not None:
            self._thread.join()
        self._opened.close()

    def _listen(self, source: Source) -> None:
        while not self._ended.is_set() and self._count <= MAX_GUIDED_FRAMES:
            try:
                received = source.receive(_RECEIVE_S)
            except InputError as fault:
                self._fault = fault
                return
            self.lost += received.lost
            self._count += len(received.frames)
            if len(received.frames):
                self._batches.append(received.frames)

    def now_ns(self) -> int:
        """Return the instant on the clock of the frames."""
        assert self._clock is not None, "asked only while it listens"
        return self._clock.time_at(read_clocks())

    @property
    def count(self) -> int:
        """Frames received so far."""
        return self._count

    def wait_for_frames(self, seconds: float) -> bool:
        """Return whether frames came within so many seconds."""
        until_s = time.monotonic() + seconds
        while self._count == 0 and time.monotonic() < until_s and self._fault is None:
            time.sleep(_RECEIVE_S)
        return self._count > 0

    def frames(self) -> FrameBatch:
        """Return what was received, in order of time; call it after the end.

        Raises
        ------
        InputError
            The bus was lost.
        """
        if self._fault is not None:
            raise self._fault
        frames = FrameBatch.concatenate(self._batches)
        return frames.select_rows(frames.time_ns.argsort(kind="stable"))


def log_text(frames: FrameBatch, write: Callable[[str], object]) -> None:
    """Write frames as the lines of a text log that `dutytrace import` reads."""
    columns = zip(
        to_s(frames.time_ns).tolist(), frames.identifier.tolist(), frames.flags.tolist(),
        frames.length.tolist(), frames.data, strict=True,
    )  # fmt: skip
    for time_s, identifier, flags, length, data in columns:
        if flags & (ERROR | REMOTE):
            continue
        number = f"{identifier:08X}" if flags & EXTENDED else f"{identifier:03X}"
        mark = "#" if length <= 8 else "##0"
        write(f"({time_s:.6f}) can0 {number}{mark}{bytes(data[:length]).hex().upper()}\n")
