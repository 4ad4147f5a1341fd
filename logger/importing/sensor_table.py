"""A table of values with times, CSV or Parquet, as readings of one sensor.

The user states which column is which channel, and the unit of a number in the time column; nothing
is guessed. Times are those of the wall clock: text in ISO 8601 (UTC where it names no zone), or
numbers, exact to the digits that stand there (`log_stamps` has the rule). Read in blocks, so memory
does not grow with the table. A row without any value is skipped.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS, stamps_to_ns, to_s
from logger.errors import InputError
from logger.importing.log_stamps import parse_decimal
from logger.joint.batch import ReadingBatch
from logger.joint.channels import explain_channel_name, is_channel
from logger.settings_file import did_you_mean

__all__ = ["UNITS_NS", "SensorTable"]

UNITS_NS: Final = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}
TRACE_HOLD_PERIODS: Final = 3.0
SINGLE_ROW_HOLD_S: Final = 1.0
TABLE_SUFFIXES: Final = (".csv", ".parquet")
CSV_BLOCK_BYTES: Final = 1 << 22
"""Bytes of a CSV file at a time."""
ROWS_AT_ONCE: Final = 65_536


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorTable:
    """A table on disk; iterating over it yields the sensor's readings."""

    path: Path
    sensor: str
    time: str
    """The column of times."""
    columns: Mapping[str, str]
    """Channel -> column, in the channel's unit."""
    unit: str = "s"
    """Unit of a time that is a number: a key of `UNITS_NS`."""
    start_ns: int | None = None
    """Time of the first row, where the table's times count from some start; None: as they are."""

    def __iter__(self) -> Iterator[ReadingBatch]:
        """Yield the readings in order of time.

        Raises
        ------
        InputError
            There is no such table, column or channel, a time or value is not one, or times go back.
        """
        self._check_columns()
        newest_ns = TIME_MIN_NS
        shift_ns: int | None = None
        row = 0
        for table in self._read_tables():
            time_ns = self._times_ns(table[self.time], row)
            if len(time_ns) == 0:
                continue
            if shift_ns is None:
                shift_ns = 0 if self.start_ns is None else self.start_ns - int(time_ns[0])
            time_ns = time_ns + shift_ns
            backward_rows = np.flatnonzero(np.diff(time_ns, prepend=np.int64(newest_ns)) < 0)
            if len(backward_rows):
                raise InputError(
                    f"{self.path}: {self.time}: row {row + int(backward_rows[0]) + 1} goes back in "
                    "time, expected rows in order. Sort the table by its time first."
                )
            newest_ns = int(time_ns[-1])
            values = {
                channel: self._channel_values(table[column], column, row)
                for channel, column in self.columns.items()
            }
            row += table.num_rows
            has_value = ~np.all(
                [np.isnan(channel_values) for channel_values in values.values()], axis=0
            )
            yield ReadingBatch(
                joint=self.sensor,
                time_ns=time_ns[has_value],
                position_segment=np.where(
                    np.isnan(values["position_rad"][has_value]), np.int32(-1), np.int32(0)
                )
                if "position_rad" in values
                else np.full(int(has_value.sum()), -1, np.int32),
                columns={
                    channel: channel_values[has_value] for channel, channel_values in values.items()
                },
            )

    def hold_time_s(self) -> float:
        """Return how long a value holds, by the first rows: three of their periods, in seconds.

        Raises
        ------
        InputError
            As for iterating over it.
        """
        first = next(iter(self), None)
        if first is None or len(first) < 2:
            return SINGLE_ROW_HOLD_S
        period_s = to_s(float(np.median(np.diff(first.time_ns))))
        return float(f"{max(TRACE_HOLD_PERIODS * period_s, 1e-3):.3g}")

    def _check_columns(self) -> None:
        for channel in self.columns:
            if not is_channel(channel):
                expected, hint = explain_channel_name(channel)
                raise InputError(f"--column: found {channel!r}, expected {expected}.{hint}")
        if self.unit not in UNITS_NS:
            raise InputError(
                f"--time-unit: found {self.unit!r}, expected one of {', '.join(UNITS_NS)}."
            )
        if self.path.suffix.lower() not in TABLE_SUFFIXES:
            raise InputError(
                f"{self.path}: found a file that ends in {self.path.suffix!r}, expected a table of "
                "values: .csv or .parquet."
            )
        if not self.path.is_file():
            raise InputError(f"{self.path}: there is no such table.")

    def _read_tables(self) -> Iterator[pa.Table]:
        wanted_columns = [self.time, *dict.fromkeys(self.columns.values())]
        try:
            if self.path.suffix.lower() == ".parquet":
                with pq.ParquetFile(self.path) as file:
                    self._find_column(wanted_columns, file.schema_arrow.names)
                    for batch in file.iter_batches(ROWS_AT_ONCE, columns=wanted_columns):
                        yield pa.Table.from_batches([batch])
                return
            with pa.csv.open_csv(
                self.path,
                read_options=pa.csv.ReadOptions(block_size=CSV_BLOCK_BYTES),
                # Read as text and converted here, so that an error names the row.
                convert_options=pa.csv.ConvertOptions(
                    column_types=dict.fromkeys(wanted_columns, pa.string()),
                    strings_can_be_null=True,
                ),
            ) as reader:
                self._find_column(wanted_columns, reader.schema.names)
                for batch in reader:
                    yield pa.Table.from_batches([batch]).select(wanted_columns)
        except (OSError, pa.ArrowInvalid) as fault:
            raise InputError(f"{self.path}: this table cannot be read ({fault}).") from None

    def _find_column(self, wanted_name: list[str], existing_names: list[str]) -> None:
        for name in wanted_name:
            if name not in existing_names:
                raise InputError(
                    f"{self.path}: found no column {name!r}.{did_you_mean(name, existing_names)}"
                )

    def _times_ns(self, column: pa.ChunkedArray, row: int) -> NDArray[np.int64]:
        if column.null_count:
            row_offset = int(pc.index(pc.is_null(column), value=True).as_py())
            raise InputError(f"{self.path}: {self.time}: row {row + row_offset + 1} has no time.")
        kinds = []
        if pa.types.is_timestamp(column.type):
            kinds = [pa.timestamp("ns", tz=column.type.tz)]
        elif pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
            kinds = [pa.timestamp("ns"), pa.timestamp("ns", tz="UTC")]
        for kind in kinds:
            try:
                return _single_array(column.cast(kind))
            except pa.ArrowInvalid:
                continue
        try:
            times_ns = self._counted_ns(column, row)
        except (pa.ArrowInvalid, OverflowError):
            times_ns = None
        if times_ns is None or (np.abs(times_ns) > TIME_MAX_NS).any():
            raise InputError(
                f"{self.path}: {self.time}: found a time that is no time in {self.unit}, in rows "
                f"{row + 1} to {row + len(column)}; expected one between the years 1823 and 2116. "
                "Say what a number counts with --time-unit."
            )
        return times_ns

    def _counted_ns(self, column: pa.ChunkedArray, row: int) -> NDArray[np.int64] | None:
        """Return numbers of the unit in ns, exact to their digits; None where they do not fit."""
        unit_ns = UNITS_NS[self.unit]
        if pa.types.is_decimal(column.type):
            column = column.cast(pa.string())
        if pa.types.is_integer(column.type):
            counts = _single_array(column)
            fits = (np.abs(counts) <= TIME_MAX_NS // unit_ns).all()
            return counts * unit_ns if fits else None
        numbers = self._channel_values(column, self.time, row)
        if not (np.abs(numbers) <= TIME_MAX_NS / unit_ns).all():  # NaN is none either
            return None
        if pa.types.is_floating(column.type):
            return stamps_to_ns(numbers, unit_ns)
        digits = len(str(unit_ns)) - 1
        written = [parse_decimal(text, digits) for text in column.to_pylist()]
        return None if None in written else np.array(written, np.int64)

    def _channel_values(self, column: pa.ChunkedArray, name: str, row: int) -> NDArray[np.float64]:
        try:
            numbers = column.cast(pa.float64())
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
            for row_offset, value in enumerate(column.to_pylist()):
                try:
                    float(value if value is not None else 0)
                except (TypeError, ValueError):
                    raise InputError(
                        f"{self.path}: {name}: row {row + row_offset + 1}: found {value!r}, "
                        "expected a number."
                    ) from None
            raise InputError(f"{self.path}: {name}: expected numbers.") from None
        values: NDArray[np.float64] = numbers.to_numpy(zero_copy_only=False)
        # A negative zero is a zero, as in what joints report.
        return values + 0.0


def _single_array(column: pa.ChunkedArray) -> NDArray[np.int64]:
    combined: NDArray[np.int64] = column.cast(pa.int64()).to_numpy()
    return combined
