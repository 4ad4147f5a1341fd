"""A recorder stays as large as it was, however many rows it takes and however long it runs."""

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Final

import numpy as np
import pytest

from logger.store.repair.post_request import submit_request

HOURS: Final = 24.0
MOST_GROWTH: Final = 1.1
CLOCK_HOURS: Final = float(os.environ.get("SOAK_HOURS", "6"))
MOST_BYTES: Final = 250_000_000
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
_RUN: Final = """
import os, sys, time
from pathlib import Path

from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter

hours, out = float(sys.argv[1]), Path(sys.argv[2])
start_ns = 1_795_000_000_000_000_000
bench = scenario.scenario_bench(channel="x", rate_Hz=1000.0)
limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
writer = RecordingWriter(
    out, new_manifest(bench, name="day", started_ns=start_ns), bench, now_s=0.0
)
events = EventLog(bench, writer)
pipeline = Pipeline(bench, limits, writer, events, start_ns=start_ns)
next_min = 1.0
for batch in simulate_frames(hours=hours, rate_Hz=1000.0, seed=3, start_ns=start_ns):
    # A live batch is small: the same rows as the recorder would take, as fast as it goes.
    for first in range(0, len(batch), 4000):
        part = batch.select_rows(slice(first, first + 4000))
        now_ns = int(part.time_ns[-1])
        pipeline.process(part, now_ns=now_ns)
        pipeline.record_seconds(now_ns)
        writer.tick((now_ns - start_ns) * 1e-9)
    minutes = (now_ns - start_ns) / 60e9
    if minutes >= next_min:
        next_min += 1.0
        resident = int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
        print(f"{minutes:.0f} {resident}", flush=True)
writer.close(ended_ns=now_ns + 1, cause="done")
"""


_FEED: Final = """
import os, sys
from pathlib import Path

import numpy as np

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.memory import limit_heap_growth
from logger.simulate import scenario
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter

limit_heap_growth()
bench = scenario.scenario_bench(channel="x")
writer = RecordingWriter(
    Path(sys.argv[1]), new_manifest(bench, name="t", started_ns=10**18), bench, now_s=0.0
)
for turn in range(int(sys.argv[2])):
    time_ns = 10**18 + (10 * turn + np.arange(10)) * 5_000_000
    writer.append_frames(
        FrameBatch.from_rows([(int(at_ns), 0x100, 0, bytes(8)) for at_ns in time_ns])
    )
    writer.append_readings(
        ReadingBatch(
            joint="elbow",
            time_ns=time_ns,
            position_segment=np.full(10, -1, np.int32),
            columns={"voltage_V": np.full(10, 48.0)},
        )
    )
    writer.tick(0.05 * turn)
    if turn % 1000 == 999:
        resident = int(Path("/proc/self/statm").read_text().split()[1])
        print(resident * os.sysconf("SC_PAGE_SIZE"), flush=True)
writer.abandon()
"""


def test_rows_are_not_kept_in_memory(tmp_path: Path):
    """Ten minutes of two streams in seconds: the last thousand turns find it as the first left it.

    A batch that is kept takes 5 kB beside its rows: these would be 100 MB.
    """
    ended = subprocess.run(
        [sys.executable, "-c", _FEED, str(tmp_path / "rec"), "12000"],
        capture_output=True,
        text=True,
        check=True,
    )
    sizes = [int(line) for line in ended.stdout.splitlines()]
    assert len(sizes) == 12
    assert sizes[-1] - sizes[1] < 20_000_000, sizes


@pytest.mark.soak
def test_six_hours_at_the_pace_of_the_clock(bench):
    """The demo's joints on a serial line, beside a busy loop and with notes: flat, and small."""
    bench.joints()
    process, path = bench.logger()
    busy = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    sizes = []
    end_s = time.monotonic() + CLOCK_HOURS * 3600
    try:
        while time.monotonic() < end_s:
            assert process.poll() is None
            sizes.append(_resident_bytes(process.pid))
            if len(sizes) % 6 == 0:
                submit_request(path, kind="note", text=f"{len(sizes)}")
            time.sleep(10)
    finally:
        busy.kill()
        busy.wait()
    assert max(sizes) <= MOST_BYTES, max(sizes)
    # From the tenth minute on, when parts have their full length.
    tenth = max(len(sizes) // 10, 1)
    settled = np.array(sizes[min(60, len(sizes) // 3) :])
    first, last = np.median(settled[:tenth]), np.median(settled[-tenth:])
    assert last - first <= 0.05 * first, (first, last)


def _resident_bytes(pid: int) -> int:
    pages = Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1]
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


@pytest.mark.soak
def test_a_day_at_bus_speed_does_not_grow(tmp_path: Path):
    """Two joints at 1 kHz for 24 h, fed as fast as it goes: the end within 10 % of minute ten."""
    ended = subprocess.run(
        [sys.executable, "-c", _RUN, str(HOURS), str(tmp_path / "day")],
        capture_output=True,
        text=True,
        check=True,
    )
    sizes = [int(line.split()[1]) for line in ended.stdout.splitlines()]
    # The size swings as parts fill and are sealed: the largest around minute ten, and of the end.
    first, last = max(sizes[5:15]), max(sizes[-10:])
    assert last <= MOST_GROWTH * first, [round(size / 1e6) for size in sizes]
