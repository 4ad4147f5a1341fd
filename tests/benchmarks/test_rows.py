"""What a recording takes on disk: `make bench` prints the table."""

from pathlib import Path

import numpy as np
import pytest

from logger.bring_in import bring_in
from logger.limits.limit import limits_from
from logger.simulate import scenario
from logger.simulate.offline import frames as simulated_frames
from tests.benchmarks.measure import START_NS, say

pytestmark = pytest.mark.slow


def test_bytes_a_row(tmp_path: Path):
    """What a stored status row takes, and the pyramid on top of it."""
    bench = scenario.bench(channel="x", rate_Hz=1000.0)
    hours = 0.1
    out = tmp_path / "rows"
    bring_in(
        simulated_frames(hours=hours, rate_Hz=1000.0, seed=3, start_ns=START_NS),
        bench=bench,
        limits=limits_from(scenario.limits_text(), "limits.toml"),
        out=out,
        name="rows",
        start_ns=START_NS,
        end_ns=START_NS + int(hours * 3600e9),
    )
    size = {
        room: sum(file.stat().st_size for file in (out / room).rglob("*.parquet"))
        for room in ("status", "frames", "overview")
    }
    rows = np.sum([int(name.stem[18:]) for name in (out / "status").rglob("*.parquet")])
    say("status, 1 kHz: bytes a row", size["status"] / rows, "bytes")
    say("raw frames, 1 kHz: bytes a frame", size["frames"] / rows, "bytes")
    say("pyramid: share of status", size["overview"] / size["status"], "")
    assert rows > 0
