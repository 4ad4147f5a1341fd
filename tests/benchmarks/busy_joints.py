"""Two joints behind a pseudo-terminal, as a process that keeps its time beside busy ones.

    python -m tests.benchmarks.busy_joints LINK ANSWERS

They answer requests, and now and then report a temperature that trips a limit. Written to ANSWERS
at the end (SIGTERM): when each request came, and how long each stop frame took.
"""

import contextlib
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from logger.simulate.line_protocol import CanFrame, LineProtocol
from logger.simulate.live import LiveArm
from logger.simulate.serial_line import SerialLine
from tests.support.demo_drive import HEALTH, asking, question_id

HOT_EVERY_S: Final = 0.337
"""Between a stop and the next trip; not in step with anything of the recorder's."""
HOT_DEGC: Final = 120
STOP_IDENTIFIER: Final = 0x103
TEMPERATURE_REQUEST: Final = (question_id(3), asking(HEALTH))
TEMPERATURE_BYTE: Final = 4
COUNTS_BELOW_ZERO: Final = 55


class _Joints:
    """Answers requests with what the demo's arm reported at first, but for the temperature."""

    def __init__(self) -> None:
        self._arm = LiveArm(seed=1, speed=1.0, clock=lambda: 0.0)
        self._answers: dict[tuple[int, bytes], list[CanFrame]] = {}
        self.requests_s: dict[str, list[float]] = {}
        self.stops_s: list[float] = []
        self._hot_s: float | None = None
        self._cold_s = float("inf")

    def answer(self, frame: CanFrame) -> Iterable[CanFrame]:
        now_s = time.monotonic()
        if frame.identifier == STOP_IDENTIFIER:
            if self._hot_s is not None:
                self.stops_s.append(now_s - self._hot_s)
                self._hot_s, self._cold_s = None, now_s
            return []
        key = (frame.identifier, frame.data)
        if key not in self._answers:
            self._answers[key] = self._arm.responses_to(frame)
            self._cold_s = now_s + 2.0
        self.requests_s.setdefault(f"{key[0]:X} {key[1].hex()}", []).append(now_s)
        if (frame.identifier, frame.data) == TEMPERATURE_REQUEST:
            return [self._with_temperature(one, now_s) for one in self._answers[key]]
        return self._answers[key]

    def _with_temperature(self, frame: CanFrame, now_s: float) -> CanFrame:
        if self._hot_s is None and now_s - self._cold_s > HOT_EVERY_S:
            self._hot_s = now_s
        data = bytearray(frame.data)
        degrees = 40 if self._hot_s is None else HOT_DEGC
        data[TEMPERATURE_BYTE] = degrees + COUNTS_BELOW_ZERO
        return CanFrame(identifier=frame.identifier, extended=frame.extended, data=bytes(data))


def main(link: str, answers: str) -> None:
    """Serve until SIGTERM; then write what was seen."""
    over = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: over.set())
    joints = _Joints()
    # Ahead of the busy processes: what is measured is the recorder's lateness, not this one's.
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(10))
    protocol = LineProtocol(joints.answer)
    with SerialLine(Path(link)) as line:
        while not over.is_set():
            line.write(protocol.feed_bytes(line.read(timeout_s=0.05)))
    Path(answers).write_text(
        json.dumps({"requests_s": joints.requests_s, "stops_s": joints.stops_s}), encoding="utf-8"
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
