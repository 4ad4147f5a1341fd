"""A day at bus speed leaves the recorder as large as it was after ten minutes."""

import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

HOURS: Final = 24.0
MOST_GROWTH: Final = 1.1
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


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
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
