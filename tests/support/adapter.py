"""A serial-line adapter on a pseudo-terminal whose joints a test plays itself."""

import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType

from logger.simulate.line_protocol import CanFrame, LineProtocol
from logger.simulate.serial_line import SerialLine

__all__ = ["Adapter"]


class Adapter:
    """Answers what a client sends, and says what a test lets it; on a thread of its own."""

    def __init__(
        self,
        link: Path,
        *,
        answer: Callable[[CanFrame], Iterable[CanFrame]] = lambda _frame: (),
        talk: Callable[[], Iterable[CanFrame]] = lambda: (),
        every_s: float = 0.01,
    ) -> None:
        """`answer` gives what the bus says to a frame, `talk` what it says by itself."""
        self.link = link
        self.heard: list[tuple[float, CanFrame]] = []
        """What the client sent, and when it was read (monotonic)."""
        self.earliest_s: list[float] = []
        """For each of them when nothing was there to read yet: it was sent after that."""
        self._answer = answer
        self._talk = talk
        self._every_s = every_s
        self._read_s = time.monotonic()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run, name="adapter", daemon=True)

    def _sent(self, frame: CanFrame) -> Iterable[CanFrame]:
        self.heard.append((time.monotonic(), frame))
        self.earliest_s.append(self._read_s)
        return self._answer(frame)

    def _run(self) -> None:
        protocol = LineProtocol(self._sent)
        due_s = time.monotonic()
        with SerialLine(self.link) as line:
            while not self._done.is_set():
                begun_s = time.monotonic()
                received = line.read(timeout_s=0.001)
                line.write(protocol.feed_bytes(received))
                self._read_s = begun_s
                if time.monotonic() >= due_s:
                    due_s += self._every_s
                    line.write(protocol.frame_lines(self._talk()))

    def __enter__(self) -> "Adapter":
        self._thread.start()
        until_s = time.monotonic() + 30.0
        while not self.link.is_symlink() and time.monotonic() < until_s:
            time.sleep(0.005)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()

    def unplug(self) -> None:
        """Take the adapter away."""
        self._done.set()
        self._thread.join(30)
