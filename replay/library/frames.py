"""Arrays and records as pandas tables: times in UTC, units in `attrs["units"]`.

Units are codes after UCUM, by column; a column that is no quantity has none.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from logger.arrays import Ints
from logger.joint.channels import channel_named

__all__ = ["channel_column", "frame", "stamps", "table_of", "time_index"]

SECONDS: Final = "s"
NAT_NS: Final = np.iinfo(np.int64).min


def time_index(time_ns: Ints, name: str = "time") -> pd.DatetimeIndex:
    """Return instants as an index, exact to the nanosecond, in UTC."""
    return pd.DatetimeIndex(time_ns.astype("datetime64[ns]"), tz="UTC", name=name)


def stamps(times_ns: Sequence[int | None]) -> pd.Series:
    """Return instants as a column; None is not a time."""
    known = [NAT_NS if time_ns is None else time_ns for time_ns in times_ns]
    return pd.Series(time_index(np.array(known, np.int64)))


def channel_column(channel: str, values: "np.ndarray[Any, Any]") -> Any:  # noqa: ANN401 - array or extension array
    """Return the values of a channel: NaN where a row has none; codes as whole numbers."""
    return pd.array(values, dtype="Int64") if channel_named(channel).whole else values


def frame(
    columns: Mapping[str, Any], index: pd.Index, units: Mapping[str, str], **attrs: object
) -> pd.DataFrame:
    """Return columns over an index, with their units and what the table is of."""
    table = pd.DataFrame(dict(columns), index=index)
    table.attrs |= {"units": dict(units), **attrs}
    return table


def table_of(
    rows: Sequence[Mapping[str, Any]],
    columns: Sequence[str],
    *,
    times: Sequence[str],
    units: Mapping[str, str],
    index: str = "",
    **attrs: object,
) -> pd.DataFrame:
    """Return records as a table with these columns, also where there is no record.

    `times`: the columns that hold nanoseconds since 1970 or None. `index`: the column that becomes
    the index; "": rows are numbered.
    """
    made: dict[str, Any] = {}
    for name in columns:
        values = [row[name] for row in rows]
        made[name] = stamps(values) if name in times else pd.Series(values, dtype=_kind(values))
    table = pd.DataFrame(made)
    if index:
        table = table.set_index(index)
    table.attrs |= {"units": dict(units), **attrs}
    return table


def _kind(values: Sequence[Any]) -> str | None:
    """Return the type of a column; of one without rows pandas would not know any."""
    if not values or all(isinstance(value, str) for value in values):
        return "object" if not values else "str"
    return None
