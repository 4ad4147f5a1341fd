"""A day under the fingers: windows of any length out of 24 h of two joints at 1 kHz.

The rows are written straight into a recording, then windows are drawn log-uniformly from 1 s to the
whole at random places, as Replay reads them: four rows, two joints, 1200 px. Cold means that
neither this program nor the system has any of the recording's files in memory.
"""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from dashboard.plot_data import plan_recording_rows
from dashboard.row_data import read_rows
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.store.layout.manifest import new_manifest
from logger.store.writing.bulk_writer import BulkWriter
from replay.recording import Recording
from tests.benchmarks.measure import START_NS, guard_at_most, report

pytestmark = pytest.mark.slow

S = 1_000_000_000
DAY_H = float(os.environ.get("BENCH_HOURS", "24"))
WINDOWS = 200
COLD = 40
# The pyramid makes a window of a day as cheap as one of an hour (1.4x); without a level it is 5x.
MOST_OF_AN_HOUR = 3.0
# Cold files cost what the disk takes to give them, which is not ours: 20 ms against 14 ms.
MOST_COLD = 4.0
# 4.6 % on top of status; a level more or a column that does not compress doubles it.
MOST_PYRAMID_PERCENT = 12.0
LAYOUT = """
format = 1
name = "four"

[[frame]]
name = "status"
identifier = "0x280 + node"
length = 8
period_s = 0.001
""" + "".join(
    f'[[frame.value]]\nchannel = "{channel}"\nbyte = {byte}\nbits = 16\nsigned = true\n'
    f"scale = {scale}\n"
    for channel, byte, scale in (
        ("temperature_housing_degC", 0, 0.1),
        ("torque_Nm", 2, 0.01),
        ("speed_rad_s", 4, 0.001),
        ("position_rad", 6, 0.0001),
    )
)
JOINTS = ("shoulder", "elbow")


def _bench() -> Bench:
    joints = "".join(
        f'[[joint]]\nname = "{name}"\nlayout = "four"\nnode = {node}\n'
        for node, name in enumerate(JOINTS, start=1)
    )
    text = f'[bus]\ninterface = "virtual"\n{joints}'
    return bench_from_texts(text, {"four": LAYOUT}, where="bench.toml")


def _minute(joint: str, minute: int, dice: np.random.Generator) -> ReadingBatch:
    """Return 60,000 rows of a cycle of 4 s with noise of a count, heat and a peak now and then."""
    n = 60_000
    at_s = minute * 60 + np.arange(n) / 1000
    swing = np.sin(2 * np.pi * at_s / 4)
    noise = dice.integers(-1, 2, (4, n))
    torque = 9 * swing + 0.01 * noise[1]
    torque[int(dice.integers(n))] += 5
    heat = 40 + 20 * (1 - np.exp(-at_s / 3000)) + 2 * np.sin(2 * np.pi * at_s / 7000)
    return ReadingBatch(
        joint=joint,
        time_ns=START_NS + minute * 60 * S + np.arange(n) * 1_000_000 + dice.integers(0, 50_000, n),
        position_segment=np.zeros(n, np.int32),
        columns={
            "temperature_housing_degC": np.round(heat, 1) + 0.1 * (noise[0] == 1),
            "torque_Nm": np.round(torque, 2),
            "speed_rad_s": np.round(swing * 1.5, 3) + 0.001 * noise[2],
            "position_rad": np.round(-0.95 * np.cos(2 * np.pi * at_s / 4), 4) + 1e-4 * noise[3],
        },
    )


def _made(path: Path, hours: float) -> Recording:
    bench = _bench()
    writer = BulkWriter(path, new_manifest(bench, name="day", started_ns=START_NS), bench)
    dice = np.random.default_rng(7)
    minutes = round(hours * 60)
    for minute in range(minutes):
        for joint in JOINTS:
            writer.append_readings(_minute(joint, minute, dice))
        writer.tick()
    writer.close(ended_ns=START_NS + minutes * 60 * S, cause="done")
    return Recording.open(path)


def _forget(path: Path) -> None:
    """Let the system drop what it holds of a recording's files."""
    for file in path.rglob("*.parquet"):
        descriptor = os.open(file, os.O_RDONLY)
        try:
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(descriptor)


def _times_s(recording: Callable[[], Recording], count: int, seed: int) -> list[float]:
    """Return how long each of some windows takes: four rows of both joints at 1200 px."""
    dice = np.random.default_rng(seed)
    taken = []
    for _ in range(count):
        one = recording()
        whole_ns = one.end_ns - one.start_ns
        span_ns = round(S * (whole_ns / S) ** dice.random())
        begin_ns = one.start_ns + round((whole_ns - span_ns) * dice.random())
        rows = plan_recording_rows(one)
        assert len(rows) == 4
        before = time.perf_counter()
        read_rows(one, rows, begin_ns, begin_ns + span_ns, width_px=1200)
        taken.append(time.perf_counter() - before)
    return taken


_LOOKING = """
import sys
from pathlib import Path
from replay.recording import Recording
from tests.benchmarks.test_windows import _times_s
one = Recording.open(Path(sys.argv[1]))
_times_s(lambda: one, 500, seed=4)
(line,) = (one for one in open("/proc/self/status") if one.startswith("VmRSS"))
print(int(line.split()[1]) / 1024)
"""


def _resident_mb(path: Path) -> float:
    found = subprocess.run(
        [sys.executable, "-c", _LOOKING, str(path)], check=True, capture_output=True, text=True
    )
    return float(found.stdout)


def test_windows_of_a_day(tmp_path: Path):
    """95 % of them within a blink, and hardly longer than out of one hour."""
    began = time.perf_counter()
    day = _made(tmp_path / "day", DAY_H)
    report("made: million rows a second", DAY_H * 7.2 / (time.perf_counter() - began), "M rows/s")
    hour = _made(tmp_path / "hour", 1.0)
    found = {}
    for name, recording in (("1 h", hour), (f"{DAY_H:g} h", day)):
        _times_s(lambda one=recording: one, 30, seed=1)
        warm = _times_s(lambda one=recording: one, WINDOWS, seed=2)
        found[name] = np.quantile(warm, 0.95)
        warm_s = float(np.median(warm))
        report(f"windows of {name}, warm: median", float(np.median(warm)) * 1e3, "ms")
        report(f"windows of {name}, warm: 95 %", float(found[name]) * 1e3, "ms")

    def cold() -> Recording:
        _forget(day.path)
        return Recording.open(day.path)

    taken = _times_s(cold, COLD, seed=3)
    report("cold: median", float(np.median(taken)) * 1e3, "ms")
    report("cold: 95 %", float(np.quantile(taken, 0.95)) * 1e3, "ms")
    before = time.perf_counter()
    again = cold()
    opened = time.perf_counter() - before
    rows = plan_recording_rows(again)
    read_rows(again, rows, again.start_ns, again.end_ns, width_px=1200)
    report("opened cold", opened * 1e3, "ms")
    report("opened cold, and the whole read", (time.perf_counter() - before) * 1e3, "ms")
    sizes = {
        stream: sum(file.stat().st_size for file in (day.path / stream).rglob("*.parquet"))
        for stream in ("status", "overview")
    }
    report("resident after 500 windows, a process of its own", _resident_mb(day.path), "MB")
    assert again.end_ns - again.start_ns == round(DAY_H * 3600) * S
    guard_at_most(
        "the day against the hour, 95 % warm", found[f"{DAY_H:g} h"] / found["1 h"], MOST_OF_AN_HOUR
    )
    guard_at_most("cold against warm, median", float(np.median(taken)) / warm_s, MOST_COLD)
    guard_at_most(
        "pyramid on top of status",
        100 * sizes["overview"] / sizes["status"],
        MOST_PYRAMID_PERCENT,
        "%",
    )
