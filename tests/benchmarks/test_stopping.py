"""From the frame that trips a limit to the stop frame: a recorder as a process, behind a line.

What is guarded is that each of a hundred trips is answered. The delay has no peer: it is waits for
the next turn of three loops, and how late a busy machine makes them says nothing about the code.
"""

import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import pytest

from logger.simulate.line_protocol import CanFrame
from tests.benchmarks.measure import report
from tests.support.adapter import Adapter

pytestmark = pytest.mark.slow

TRIPS: Final = 100
BENCH: Final = """
[bus]
interface = "slcan"
channel = "{line}"
bitrate = 1_000_000
send = true
[[joint]]
name = "a"
layout = "talks"
node = 1
[joint.stop]
identifier = 0x101
data = "00"
repeat = 1
"""
LAYOUT: Final = """
format = 1
name = "talks"
[[frame]]
name = "motion"
identifier = 0x201
length = 1
period_s = 0.001
[[frame.value]]
channel = "temperature_housing_degC"
byte = 0
bits = 8
"""
LIMITS: Final = """
format = 1
[[limit]]
name = "hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 70.0
"""


class _Joint:
    """Reports at 1 kHz; grows hot and cold again, and keeps the time until it is stopped."""

    def __init__(self) -> None:
        self.waits_s: list[float] = []
        self._hot_s: float | None = None
        self._cold_s = float("inf")
        self.done = threading.Event()

    def begin(self) -> None:
        self._cold_s = time.monotonic()

    def answer(self, _frame: CanFrame) -> Iterable[CanFrame]:
        now_s = time.monotonic()
        if self._hot_s is not None:
            self.waits_s.append(now_s - self._hot_s)
            self._hot_s, self._cold_s = None, now_s
            if len(self.waits_s) == TRIPS:
                self.done.set()
        return ()

    def talk(self) -> Iterable[CanFrame]:
        now_s = time.monotonic()
        # Not in step with anything of the recorder's.
        if self._hot_s is None and now_s - self._cold_s > 0.0937:
            self._hot_s = now_s
        yield CanFrame(identifier=0x201, data=bytes([30 if self._hot_s is None else 75]))


def test_frame_in_to_stop_frame_out(tmp_path: Path):
    """A hundred trips, median and worst, in milliseconds."""
    line = tmp_path / "line"
    (tmp_path / "bench.toml").write_text(BENCH.format(line=line), encoding="utf-8")
    (tmp_path / "talks.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "limits.toml").write_text(LIMITS, encoding="utf-8")
    joint = _Joint()
    with Adapter(line, answer=joint.answer, talk=joint.talk, every_s=0.001):
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "dutytrace", "record", str(tmp_path / "bench.toml")),
                *("--limits", str(tmp_path / "limits.toml"), "--send-stop-on-trip"),
                *("--out", str(tmp_path / "rec")),
            ],
            stdout=subprocess.DEVNULL,
        )
        try:
            until_s = time.monotonic() + 20.0
            while not (tmp_path / "rec").exists() and time.monotonic() < until_s:
                time.sleep(0.05)
            joint.begin()
            assert joint.done.wait(60)
        finally:
            process.terminate()
            process.wait(20)
    report(
        "frame that trips -> stop frame, serial line, 1 kHz: median",
        statistics.median(joint.waits_s) * 1e3,
        "ms",
    )
    report("   worst of a hundred", max(joint.waits_s) * 1e3, "ms")
