"""What the commands over logs and recordings begin with."""

from pathlib import Path

import pytest

from logger.joint.batch import FrameBatch
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from tests.support.logs import write_log

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench_text("can0")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with a bench file, limits, and a log of half a minute."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    (tmp_path / "limits.toml").write_text(scenario.scenario_limits_text(), encoding="utf-8")
    made = FrameBatch.concatenate(
        list(simulate_frames(hours=1 / 120, rate_Hz=50.0, seed=1, start_ns=START_NS))
    )
    write_log(tmp_path / "soak.blf", made)
    return tmp_path
