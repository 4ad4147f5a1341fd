"""Figures of steps: the exact statistics, on the clock's grid, one row a joint and step."""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from logger.errors import InputError
from replay.export import export
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.command import run

S = 1_000_000_000


def _times_ns(table: pd.DataFrame) -> np.ndarray:
    return table["time"].astype("datetime64[ns, UTC]").astype("int64").to_numpy()


@pytest.mark.parametrize("step_ns", [S // 10, S, 7 * S, 60 * S])
def test_the_figures_are_those_of_the_exact_statistics(
    tmp_path: Path, overheat: Recording, step_ns: int
):
    """Mean, extremes, RMS of every channel; each step begins at a multiple of its length."""
    start, end = overheat.start_ns + 20 * S, overheat.start_ns + 20 * S + 3 * step_ns
    path = tmp_path / "out.parquet"
    count = export(overheat, path, start_ns=start, end_ns=end, step_ns=step_ns)
    table = pd.read_parquet(path)
    assert len(table) == count > 0
    times = _times_ns(table)
    assert (times % step_ns == 0).all()
    assert (np.diff(times) >= 0).all()
    assert times[0] <= start < end <= times[-1] + step_ns
    assert not table.duplicated(["time", "joint"]).any()
    assert table.notna().to_numpy()[:, :6].all()
    for row in range(len(table)):
        joint, begin = str(table["joint"][row]), int(times[row])
        for channel in overheat.channels(joint):
            exact = span_statistics(overheat, joint, channel, begin, begin + step_ns)
            known = {
                "mean": exact.mean, "min": exact.minimum, "max": exact.maximum, "rms": exact.rms,
            }  # fmt: skip
            for figure, expected in known.items():
                if f"{channel}_{figure}" in table:
                    found = table[f"{channel}_{figure}"][row]
                    assert found == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True)
    assert [name for name in table if name.startswith("fault_code")] == [
        "fault_code_min", "fault_code_max",
    ]  # fmt: skip


def test_stretches_join_without_a_seam(
    tmp_path: Path, overheat: Recording, monkeypatch: pytest.MonkeyPatch
):
    """However many steps are read at a time, the table is the same."""
    tables = []
    for seconds in (60, 1):
        monkeypatch.setattr("replay.export_steps._ROW_SECONDS_AT_ONCE", seconds)
        path = tmp_path / f"{seconds}.parquet"
        export(overheat, path, end_ns=overheat.start_ns + 5 * S, step_ns=S // 4)
        tables.append(pq.read_table(path))
    assert tables[0].equals(tables[1])


@pytest.mark.parametrize(
    ("every", "length"), [("1min", len("2026-11-18T11:06:40Z")), ("0.1s", len(":40.100Z") + 17 - 1)]
)
def test_times_have_no_more_digits_than_they_need(
    tmp_path: Path, overheat: Recording, every: str, length: int
):
    """The command writes whole seconds as such; units stay in the heads, NaN is nothing."""
    done = run(
        "export", str(overheat.path), "--out", str(tmp_path / "out.csv"), "--every", every,
        "--to", "90s", "--joint", "elbow", "--channels", "torque_Nm",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    head, first, *_ = (tmp_path / "out.csv").read_text(encoding="utf-8").splitlines()
    assert head == "time,joint,torque_Nm_mean,torque_Nm_min,torque_Nm_max,torque_Nm_rms"
    time, joint, *figures = first.split(",")
    assert (len(time), joint) == (length, "elbow")
    assert float(figures[1]) <= float(figures[0]) <= float(figures[2])


@pytest.mark.parametrize("step_ns", [1, 999_999, S + 1, 3 * S // 2])
def test_lengths_that_no_step_has(tmp_path: Path, overheat: Recording, step_ns: int):
    """Whole seconds, or a part of one; nothing is written."""
    with pytest.raises(InputError, match="--every: found"):
        export(overheat, tmp_path / "out.csv", step_ns=step_ns)
    assert list(tmp_path.iterdir()) == []
