"""What a recording takes on disk: `make bench` prints the table."""

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet, parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames as simulated_frames
from tests.benchmarks.measure import START_NS, guard_at_most, report

pytestmark = pytest.mark.slow

# What a row with noise in it must take at least is its entropy: log2 of the 50,000 places of a
# stamp and of the three counts of each of five channels, 2.94 bytes. Stored: 1.12 times that.
MOST_OF_ENTROPY = 2.0
# The demo's rows: 0.11 of what they take in memory; the pyramid is 11 % on top of them.
MOST_OF_MEMORY = 0.3
MOST_OF_STATUS = 0.25
LAYOUT = """
format = 1
name = "five"

[[frame]]
name = "status"
identifier = 0x281
length = 8
period_s = 0.001
""" + "".join(
    f'[[frame.value]]\nchannel = "{channel}"\nbyte = {byte}\nbits = {bits}\n'
    f"signed = {str(signed).lower()}\nscale = {scale}\n"
    for channel, byte, bits, signed, scale in (
        ("temperature_housing_degC", 0, 8, True, 1.0),
        ("current_A", 1, 16, True, 0.01),
        ("speed_rad_s", 3, 16, True, 0.001),
        ("position_rad", 5, 16, True, 0.0001),
        ("voltage_V", 7, 8, False, 0.5),
    )
)


def _size(folder: Path) -> int:
    return sum(file.stat().st_size for file in folder.rglob("*.parquet"))


def _rows(folder: Path) -> int:
    ends: dict[Path, int] = {}
    for file in folder.rglob("*.parquet"):
        ends[file.parent] = max(ends.get(file.parent, 0), int(file.stem.split("-")[2]))
    return sum(ends.values())


def test_bytes_of_a_row_with_one_count_of_noise(tmp_path: Path):
    """Time with 50 us of jitter and five channels, each one count up or down, at 1 kHz."""
    n = 600_000
    dice = np.random.default_rng(5)
    counts = np.array([31, 250, -120, 900, 96]) + dice.integers(-1, 2, (n, 5))
    data = np.zeros((n, 8), np.uint8)
    data[:, 0] = counts[:, 0].astype(np.int8).view(np.uint8)
    for place, column in ((1, 1), (3, 2), (5, 3)):
        data[:, place : place + 2] = counts[:, column].astype("<i2").view(np.uint8).reshape(n, 2)
    data[:, 7] = counts[:, 4]
    frames = FrameBatch(
        time_ns=START_NS + np.arange(n) * 1_000_000 + dice.integers(0, 50_000, n),
        identifier=np.full(n, 0x281, np.uint32),
        flags=np.zeros(n, np.uint8),
        length=np.full(n, 8, np.uint8),
        data=data,
        bus=np.zeros(n, np.uint8),
    )
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "five"\n',
        {"five": LAYOUT},
        where="bench.toml",
    )
    out = tmp_path / "five"
    import_frames(
        (frames.select_rows(slice(first, first + 20_000)) for first in range(0, n, 20_000)),
        bench=bench,
        limits=LimitSet(),
        out=out,
        name="five",
        start_ns=START_NS,
        end_ns=START_NS + n * 1_000_000,
    )
    rows = _rows(out / "status")
    assert rows == n
    a_row = _size(out / "status") / n
    report("status row, five channels, one count of noise: bytes a row", a_row, "")
    report("   raw frame: bytes a frame", _size(out / "frames") / n, "")
    entropy = (np.log2(50_000) + 5 * np.log2(3)) / 8
    guard_at_most("   the row against its entropy", a_row / entropy, MOST_OF_ENTROPY)


def test_bytes_of_the_demos_rows(tmp_path: Path):
    """The demo's joints at 1 kHz: a pick-and-place cycle, torque derived beside the current."""
    out = tmp_path / "demo"
    hours = 0.2
    import_frames(
        simulated_frames(hours=hours, rate_Hz=1000.0, seed=3, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="x", rate_Hz=1000.0),
        limits=parse_limits(scenario.scenario_limits_text(), "limits.toml"),
        out=out,
        name="demo",
        start_ns=START_NS,
        end_ns=START_NS + int(hours * 3600e9),
    )
    rows = _rows(out / "status")
    report("the demo's moving joints at 1 kHz: bytes a row", _size(out / "status") / rows, "")
    report("   raw frame: bytes a frame", _size(out / "frames") / rows, "")
    in_memory = sum(pq.read_table(part).nbytes for part in (out / "status").rglob("*.parquet"))
    guard_at_most(
        "   the rows on disk against in memory", _size(out / "status") / in_memory, MOST_OF_MEMORY
    )
    guard_at_most(
        "   pyramid, all levels: share of status",
        _size(out / "overview") / _size(out / "status"),
        MOST_OF_STATUS,
    )
