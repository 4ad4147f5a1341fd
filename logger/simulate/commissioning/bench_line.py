"""The joint on its bench in real time: its frames as they fall due, and what happens beside them.

The programme begins when somebody opens the bus. The joint is asked for nothing and hears nothing.
"""

import heapq
import logging
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from logger.errors import InputError
from logger.joint.bench.identifiers import identifier_for
from logger.simulate.commissioning.bench_files import commissioning_bench
from logger.simulate.commissioning.bench_run import FRAME_PERIODS_S, BenchEvent, BenchRun
from logger.simulate.encode import encode_frames
from logger.simulate.line_protocol import CanFrame, LineProtocol
from logger.simulate.serial_line import SerialLine

__all__ = ["BenchFrames", "serve_bench"]

log = logging.getLogger(__name__)

_IDLE_S: Final = 0.2
_HELD_UP_S: Final = 1.0
"""Behind by more than that, the run waits instead of catching up."""


class BenchFrames:
    """The frames of the run in order of time."""

    def __init__(self, run: BenchRun) -> None:
        """Begin with the run's first instant."""
        bench = commissioning_bench()
        self.run = run
        self._joint = bench.joint_named(run.joint.name)
        self._frames = {frame.name: frame for frame in bench.layout_of(self._joint).frame}
        # Kinds do not fall due at one instant: a bus carries one frame after the other.
        self._due = [
            (0.0003 * number, kind) for number, kind in enumerate(FRAME_PERIODS_S, start=1)
        ]
        heapq.heapify(self._due)

    @property
    def next_s(self) -> float:
        """When the next frame falls due, in seconds of the run."""
        return self._due[0][0]

    def frames_until(self, time_s: float) -> Iterator[tuple[float, CanFrame]]:
        """Yield what falls due until a time of the run, with its time."""
        while self._due[0][0] <= time_s:
            due_s, kind = self._due[0]
            heapq.heapreplace(self._due, (due_s + FRAME_PERIODS_S[kind], kind))
            self.run.advance_to(due_s)
            yield due_s, self._frame(kind)

    def _frame(self, kind: str) -> CanFrame:
        frame = self._frames[kind]
        payload = encode_frames(frame, self._joint, self.run.frame_values(kind))
        return CanFrame(
            identifier=identifier_for(
                frame.identifier, self._joint.node, extended=frame.extended, where=kind
            ),
            extended=frame.extended,
            data=payload[0, : frame.length].tobytes(),
        )


def serve_bench(
    *,
    link: Path,
    seed: int,
    clock: Callable[[], float],
    stopped: Callable[[], bool],
    ready: Callable[[Path], None],
    happened: Callable[[BenchEvent], None],
) -> None:
    """Play the programme on a serial line at `link` until `stopped` returns true.

    Parameters
    ----------
    link
        Where the symbolic link to the pseudo-terminal is put.
    seed
        Chooses the noise and where the ruler is put.
    clock
        Seconds that never go back, such as time.monotonic.
    stopped
        Called several times a second.
    ready
        Called once, when the line can be opened.
    happened
        Called for each scene and each reading, when it comes.

    Raises
    ------
    InputError
        `link` cannot be made, or the seed is negative.
    OutsideFault
        There are no pseudo-terminals here.
    """
    if seed < 0:
        raise InputError(f"seed: found {seed}, expected 0 or more.")
    with SerialLine(link) as serial_line:
        frames = BenchFrames(BenchRun(seed=seed))
        adapter = LineProtocol(lambda _frame: ())
        ready(link)
        start_s: float | None = None
        while not stopped():
            wait_s = _IDLE_S
            if start_s is not None:
                wait_s = min(max(start_s + frames.next_s - clock(), 0.0), _IDLE_S)
            serial_line.write(adapter.feed_bytes(serial_line.read(timeout_s=wait_s)))
            if start_s is None:
                if adapter.channel == "closed":
                    continue
                start_s = clock()
            late_s = clock() - start_s - frames.next_s
            if late_s > _HELD_UP_S:
                log.warning("the joint was held up for %.1f s of its time", late_s)
                start_s += late_s
            due = [frame for _, frame in frames.frames_until(clock() - start_s)]
            serial_line.write(adapter.frame_lines(due))
            for event in frames.run.take_events():
                happened(event)
