"""What the server weighs: a day open in Replay, 200 windows of it, and Live beside.

The live recording's journal holds 500 s of two joints at 1 kHz, the most that it ever does. The day
is made as for the windows (BENCH_HOURS), or BENCH_DAY names one that is there.
"""

import json
import os
import shutil
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import numpy as np
import pytest

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from tests.benchmarks import test_windows
from tests.benchmarks.measure import guard_at_most, report
from tests.benchmarks.talker import BENCH, LAYOUT
from tests.support.browser import chromium, installed

pytestmark = [pytest.mark.slow, pytest.mark.browser]

WINDOWS: Final = 200
JOURNAL_S: Final = 500
# Of the 400 MB that are asked at most. Memory is no time: another machine says nearly the same.
MOST_OF_ASKED: Final = 2.0
# After a quarter of the windows all caches are full; what leaks grows on.
MOST_GROWTH: Final = 1.5
ROWS: Final = 50
CHANNELS: Final = ("temperature_housing_degC", "torque_Nm", "speed_rad_s", "position_rad")


@contextmanager
def _live(path: Path) -> Iterator[None]:
    """Keep a recording that is being written, and of which nothing is sealed yet."""
    bench = bench_from_texts(BENCH.format(line="line"), {"four": LAYOUT}, where="bench.toml")
    start_ns = time.time_ns() - JOURNAL_S * 1_000_000_000
    writer = RecordingWriter(
        path, new_manifest(bench, name="live", started_ns=start_ns), bench, now_s=0.0
    )
    dice = np.random.default_rng(1)
    for flush in range(JOURNAL_S * 20):
        time_ns = start_ns + (flush * ROWS + np.arange(ROWS)) * 1_000_000
        for joint in bench.joints:
            writer.append_readings(
                ReadingBatch(
                    joint=joint.name,
                    time_ns=time_ns,
                    position_segment=np.zeros(ROWS, np.int32),
                    columns={channel: dice.normal(size=ROWS) for channel in CHANNELS},
                )
            )
        writer.append_frames(
            FrameBatch(
                time_ns=np.repeat(time_ns, 2),
                identifier=np.full(2 * ROWS, 0x281, np.uint32),
                flags=np.zeros(2 * ROWS, np.uint8),
                length=np.full(2 * ROWS, 8, np.uint8),
                data=dice.integers(0, 256, (2 * ROWS, 8)).astype(np.uint8),
                bus=np.zeros(2 * ROWS, np.uint8),
            )
        )
        writer._journal.flush()
    try:
        yield
    finally:
        writer.abandon()


def _weight_MB(pid: int) -> float:  # noqa: N802 - the unit's own spelling
    """Return how much of a process lies in memory."""
    words = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").split()
    return int(words[words.index("VmRSS:") + 1]) / 1024


def _get(address: str) -> bytes:
    with urllib.request.urlopen(address, timeout=60) as answer:
        return bytes(answer.read())


def test_a_day_and_live_beside(bench):
    """At the start, with the day open, with Live beside, over the windows and after them."""
    browser = installed()
    if browser is None:
        pytest.skip("no Chrome or Chromium is installed")
    day = bench.recordings / "day"
    if "BENCH_DAY" in os.environ:
        shutil.copytree(os.environ["BENCH_DAY"], day, copy_function=os.link)
    else:
        test_windows._made(day, test_windows.DAY_H)
    server = bench.start(
        "dutytrace", "dashboard", "--recordings", str(bench.recordings), "--port", "0"
    )
    address = server.stdout.readline().removeprefix("The pages are at ").strip().rstrip("/")
    report("the server, begun", _weight_MB(server.pid), "MB")
    _get(f"{address}/api/recordings/day/overview?width=1200")
    report("   a day open in Replay", _weight_MB(server.pid), "MB")
    manifest = json.loads((day / "recording.json").read_text(encoding="utf-8"))
    whole_s = (manifest["ended_ns"] - manifest["started_ns"]) / 1e9
    with _live(bench.recordings / "live"), chromium(browser) as started:
        page = started.new_page(viewport={"width": 1440, "height": 900})
        page.goto(address)
        page.wait_for_selector("#live-sheet[data-drawn]")
        report("   and Live beside", _weight_MB(server.pid), "MB")
        dice = np.random.default_rng(5)
        seen = []
        for _ in range(WINDOWS):
            span_s = whole_s ** dice.random()
            begin_s = (whole_s - span_s) * dice.random()
            window = f"start={begin_s}&end={begin_s + span_s}"
            _get(f"{address}/api/recordings/day/window?{window}&width=1200")
            _get(f"{address}/api/recordings/day/span?{window}")
            seen.append(_weight_MB(server.pid))
            # Somebody who is in a hurry.
            time.sleep(0.2)
        report(f"   the most over {WINDOWS} windows and spans", max(seen), "MB")
    guard_at_most("   of the 400 MB that are asked", max(seen) / 400, MOST_OF_ASKED)
    guard_at_most(
        "   the last quarter against the first", seen[-1] / seen[WINDOWS // 4], MOST_GROWTH
    )
