"""The whole table of a sweep as one Parquet file: a row for each candidate, recording and joint.

A varied key has a column of its own, named LIMIT.KEY. The file is there when it is whole.
"""

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import InputError
from logger.store.layout.files import put_or_say
from replay.tuning.tune import Row, Tuned

__all__ = ["may_write", "write_table"]


def may_write(path: Path, suffix: str, option: str) -> None:
    """Refuse a file that is there, has another ending, or no folder: before the work is done.

    Raises
    ------
    InputError
        Which of them.
    """
    if path.suffix.lower() != suffix:
        raise InputError(f"{option}: found {str(path)!r}, expected a file that ends in {suffix}.")
    if path.exists():
        raise InputError(f"{path}: this already exists. Choose another name.")
    if not path.parent.is_dir():
        raise InputError(f"{path.parent}: there is no such folder.")


def write_table(path: Path, tuned: Tuned) -> None:
    """Write the table.

    Raises
    ------
    OutsideFault
        The disk took no more.
    """
    table = _table(tuned.rows)
    put_or_say(path, lambda file: pq.write_table(table, file, compression="zstd"), what="the table")


def _table(rows: tuple[Row, ...]) -> pa.Table:
    scores = [row.score for row in rows]
    columns: dict[str, pa.Array] = {
        "candidate": pa.array([row.candidate.number for row in rows], pa.int32())
    }
    for place, change in enumerate(rows[0].candidate.changes if rows else ()):
        values = [row.candidate.changes[place].value for row in rows]
        columns[f"{change.limit}.{change.key}"] = _values(values)
    columns |= {
        "recording": pa.array([str(row.tested.path) for row in rows], pa.string()),
        "name": pa.array([row.tested.name for row in rows], pa.string()),
        "joint": pa.array([row.joint for row in rows], pa.string()),
        "bad_ends": pa.array([one.bad_ends for one in scores], pa.int32()),
        "caught": pa.array([one.caught for one in scores], pa.int32()),
        "lead_s": pa.array(
            [[None if lead != lead else lead for lead in one.lead_s] for one in scores],  # noqa: PLR0124 - NaN
            pa.list_(pa.float64()),
        ),
        "alerts": pa.array([one.alerts for one in scores], pa.int32()),
        "false_alerts": pa.array([one.false_alerts for one in scores], pa.int32()),
        "false_per_h": _numbers([one.false_per_h for one in scores]),
        "heard_h": _numbers([one.heard_s / 3600.0 for one in scores]),
        "chatters": pa.array([one.chatters for one in scores], pa.int32()),
        "lost_share": _numbers([one.lost_share for one in scores]),
    }
    return pa.table(columns)


def _numbers(values: list[float]) -> pa.Array:
    """Return numbers as a column in which NaN is a value that is missing."""
    return pa.array(values, pa.float64(), from_pandas=True)


def _values(values: list[Any]) -> pa.Array:
    if all(isinstance(one, int | float) and not isinstance(one, bool) for one in values):
        return pa.array([float(one) for one in values], pa.float64())
    return pa.array([str(one) for one in values], pa.string())
