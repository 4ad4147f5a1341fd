"""How fast files are brought in and decoded again: `make bench` prints the table.

Each is the median of five, by the wall: an import that reads on one core and decodes on another is
as fast as it feels.
"""

import shutil
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import can
import pytest

from logger.importing.import_frames import import_frames
from logger.importing.log_frames import LogFrames
from logger.importing.redecode import redecode_frames
from logger.joint.batch import FrameBatch
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames as simulated_frames
from tests.benchmarks.measure import ROUNDS, SCALE, START_NS, guard_at_least, guard_at_most, report
from tests.support.logs import write_log

pytestmark = pytest.mark.slow

BENCH = scenario.scenario_bench(channel="can0", rate_Hz=1000.0)
LIMITS = parse_limits(scenario.scenario_limits_text(), "limits.toml")


# A whole import against a loop over python-can's reader that only counts: these formats have
# readers of their own (`.log` 3.9x as fast, `.asc` 1.4x, `.csv` 1x and `.blf` 1.1x on a busy
# machine). An import wants two cores and the loop one, so a machine that has none to spare takes
# from one side only: a third of it with a load of three for each core.
LEAST_SPEED = {".log": 1.0, ".asc": 0.4, ".blf": 0.2, ".csv": 0.3}
# Decoding again leaves the raw frames where they are, so it is less work than the import of them.
MOST_OF_AN_IMPORT = 2.0


def _frames(count: int) -> FrameBatch:
    hours = count / (2 * 1210 * 3600) + 0.001
    made = simulated_frames(hours=hours, rate_Hz=1000.0, seed=3, start_ns=START_NS)
    return FrameBatch.concatenate(list(made)).select_rows(slice(0, count))


def _brought(frames, out: Path, **chosen) -> None:
    shutil.rmtree(out, ignore_errors=True)
    import_frames(frames, bench=BENCH, limits=LIMITS, out=out, name="t", **chosen)


def _medians(*runs: Callable[[], object]) -> list[float]:
    """Run by turns, so that what else the machine does falls on all alike."""
    spent: list[list[float]] = [[] for _ in runs]
    for _ in range(ROUNDS):
        for run, seconds in zip(runs, spent, strict=True):
            before = time.perf_counter()
            run()
            seconds.append(time.perf_counter() - before)
    return [statistics.median(seconds) for seconds in spent]


@pytest.mark.parametrize(
    ("suffix", "count"),
    [(".log", 1_000_000), (".blf", 1_000_000), (".asc", 300_000), (".csv", 300_000)],
)
def test_import_against_a_bare_loop(tmp_path: Path, suffix: str, count: int):
    """A whole import, against a loop over python-can's reader that only counts."""
    count = round(count * SCALE)
    path = tmp_path / f"log{suffix}"
    made = _frames(count)
    write_log(path, made)

    def bare() -> None:
        with can.LogReader(path) as reader:
            assert sum(1 for _ in reader) == count

    def whole() -> None:
        log = LogFrames(path=path, bench=BENCH)
        _brought(log, tmp_path / "rec", pending_notices=log.notices)

    peer, ours = _medians(bare, whole)
    guard_at_least(
        f"import of {suffix}: bare LogReader loop / ours", peer / ours, LEAST_SPEED[suffix]
    )


def test_redecode(tmp_path: Path):
    """A million frames decoded again against their import: status rows and overview written."""
    count = round(1_000_000 * SCALE)
    whole = _frames(count)
    chunks = [whole.select_rows(slice(first, first + 16_384)) for first in range(0, count, 16_384)]
    _brought(chunks, tmp_path / "rec")

    def again() -> None:
        shutil.rmtree(tmp_path / "again", ignore_errors=True)
        redecode_frames(tmp_path / "rec", bench=BENCH, out=tmp_path / "again")

    peer, ours = _medians(lambda: _brought(chunks, tmp_path / "once more"), again)
    report("redecode, frames a second", count / ours * 1e-6, "million")
    guard_at_most("redecode / import of the same frames", ours / peer, MOST_OF_AN_IMPORT)
