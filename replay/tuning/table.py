"""The table of a sweep as one Parquet file: a row for each candidate, recording and joint.

Each varied key has a column of its own, named LIMIT.KEY. The file appears only when it is complete.
"""

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import InputError
from logger.store.layout.files import write_or_raise
from replay.tuning.tune import SweepResult, SweepRow

__all__ = ["check_writable", "write_table"]


def check_writable(path: Path, suffix: str, option: str) -> None:
    """Check, before any work, that a file can be written at a path.

    Raises
    ------
    InputError
        It exists, has another suffix, or its folder does not exist.
    """
    if path.suffix.lower() != suffix:
        raise InputError(f"{option}: found {str(path)!r}, expected a file that ends in {suffix}.")
    if path.exists():
        raise InputError(f"{path}: this already exists. Choose another name.")
    if not path.parent.is_dir():
        raise InputError(f"{path.parent}: there is no such folder.")


def write_table(path: Path, result: SweepResult) -> None:
    """Write the table of a sweep.

    Raises
    ------
    OutsideFault
        The file could not be written.
    """
    table = _sweep_table(result.rows)
    write_or_raise(
        path, lambda file: pq.write_table(table, file, compression="zstd"), description="the table"
    )


def _sweep_table(rows: tuple[SweepRow, ...]) -> pa.Table:
    scores = [row.score for row in rows]
    columns: dict[str, pa.Array] = {
        "candidate": pa.array([row.candidate.number for row in rows], pa.int32())
    }
    for index, change in enumerate(rows[0].candidate.changes if rows else ()):
        values = [row.candidate.changes[index].value for row in rows]
        columns[f"{change.limit}.{change.key}"] = _value_column(values)
    columns |= {
        "recording": pa.array([str(row.source.path) for row in rows], pa.string()),
        "name": pa.array([row.source.name for row in rows], pa.string()),
        "joint": pa.array([row.joint for row in rows], pa.string()),
        "bad_ends": pa.array([score.bad_ends for score in scores], pa.int32()),
        "caught": pa.array([score.caught for score in scores], pa.int32()),
        "lead_s": pa.array(
            [[None if lead != lead else lead for lead in score.lead_s] for score in scores],  # noqa: PLR0124 - NaN
            pa.list_(pa.float64()),
        ),
        "alerts": pa.array([score.alerts for score in scores], pa.int32()),
        "false_alerts": pa.array([score.false_alerts for score in scores], pa.int32()),
        "false_per_h": _number_column([score.false_per_h for score in scores]),
        "heard_h": _number_column([score.recorded_s / 3600.0 for score in scores]),
        "chatters": pa.array([score.chatters for score in scores], pa.int32()),
        "lost_share": _number_column([score.lost_share for score in scores]),
    }
    return pa.table(columns)


def _number_column(values: list[float]) -> pa.Array:
    """Return numbers as a column, NaN as null."""
    return pa.array(values, pa.float64(), from_pandas=True)


def _value_column(values: list[Any]) -> pa.Array:
    if all(isinstance(value, int | float) and not isinstance(value, bool) for value in values):
        return pa.array([float(value) for value in values], pa.float64())
    return pa.array([str(value) for value in values], pa.string())
