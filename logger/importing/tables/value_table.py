"""A table of values with times as readings: of several joints, or of one sensor.

The user states which column is which channel, and how it is converted; nothing is guessed. A cell
that cannot be read is no value, a row without a time is left out; both are told with their rows.
Read in blocks, so memory does not grow with the table. A row without any value is skipped.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS, Floats, Ints, to_s
from logger.errors import InputError
from logger.importing.tables.cells import ColumnFaults, has_foreign_decimals, read_numbers
from logger.importing.tables.table_file import TableBlock, TableFile
from logger.importing.tables.times import RowTimes
from logger.joint.batch import ReadingBatch
from logger.joint.bench.table_settings import TableSettings
from logger.joint.channels import channel_named, explain_channel_name, is_channel
from logger.joint.column_expression import ColumnExpression, parse_column_expression

__all__ = ["ValueTable"]

HOLD_PERIODS: Final = 3.0
SINGLE_VALUE_HOLD_S: Final = 1.0
HOLD_BLOCKS: Final = 16
"""A column without two values in so many blocks of rows counts as one with a single value."""
_LEAST_HOLD_S: Final = 1e-3


@dataclass(slots=True, kw_only=True)
class ValueTable:
    """A table on disk; iterating over it yields the readings of each block of rows."""

    path: Path
    settings: TableSettings
    columns: Mapping[str, Mapping[str, str]]
    """Joint or sensor -> channel -> column, or an expression of one."""
    start_ns: int | None = None
    """Time of the first row, where the table's times count from some start; None: as they are."""
    shift_ns: int = 0
    """Added to all times."""
    where: str = "--column"
    """What the columns were stated by, for errors."""
    row_count: int = 0
    """Rows that were read so far."""
    _faults: dict[str, ColumnFaults] = field(default_factory=dict)
    _times: RowTimes | None = None
    _file: TableFile | None = None
    _expressions: dict[str, dict[str, ColumnExpression]] = field(default_factory=dict)

    def __iter__(self) -> Iterator[tuple[ReadingBatch, ...]]:
        """Yield a batch of each joint for each block, in order of time.

        Raises
        ------
        InputError
            There is no such table, column or channel, times go back, or a column holds nothing that
            can be read.
        """
        file = TableFile(path=self.path, settings=self.settings)
        expressions = self._parse_columns(file)
        times = RowTimes(self.settings, str(self.path))
        self._file, self._times, self.row_count = file, times, 0
        self._faults = {name: ColumnFaults(column=name) for name in self._source_columns()}
        newest_ns, start_shift_ns = TIME_MIN_NS, None if self.start_ns is not None else 0
        try:
            for block in file.read_blocks([*self.settings.time, *self._faults]):
                time_ns, known = times.read_block(block)
                self.row_count += len(block.rows)
                if start_shift_ns is None and known.any():
                    assert self.start_ns is not None, "else there is no shift"
                    start_shift_ns = self.start_ns - int(time_ns[known][0])
                shifted_ns = time_ns[known] + (start_shift_ns or 0) + self.shift_ns
                rows = block.rows[known]
                self._check_times(shifted_ns, rows, newest_ns)
                newest_ns = int(shifted_ns[-1]) if len(rows) else newest_ns
                numbers = self._read_cells(block)
                yield tuple(
                    _batch(joint, shifted_ns, {
                        name: self._convert(one, numbers[one.column][known], rows)
                        for name, one in channels.items()
                    })
                    for joint, channels in expressions.items()
                )  # fmt: skip
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError, pa.ArrowTypeError) as fault:
            raise InputError(f"{self.path}: this table cannot be read ({fault}).") from None
        self._check_readable()

    def _source_columns(self) -> list[str]:
        return list(
            dict.fromkeys(
                one.column for channels in self._expressions.values() for one in channels.values()
            )
        )

    def _parse_columns(self, file: TableFile) -> dict[str, dict[str, ColumnExpression]]:
        for channels in self.columns.values():
            for channel in channels:
                if not is_channel(channel):
                    expected, hint = explain_channel_name(channel)
                    raise InputError(f"{self.where}: found {channel!r}, expected {expected}.{hint}")
        names = file.column_names()
        self._expressions = {
            joint: {
                channel: parse_column_expression(
                    text, channel=channel, columns=names, where=f"{self.path}: {self.where}"
                )
                for channel, text in channels.items()
            }
            for joint, channels in self.columns.items()
        }
        return self._expressions

    def _read_cells(self, block: TableBlock) -> dict[str, Floats]:
        decimal = self.settings.decimal
        numbers = {}
        for name, faults in self._faults.items():
            numbers[name] = read_numbers(block.columns[name], block.rows, faults, decimal=decimal)
            if has_foreign_decimals(faults, decimal):
                row, cell = faults.first_unread[0]
                other = "," if decimal == "." else "."
                raise InputError(
                    f"{self.path}: {name}: row {row}: found {cell!r}, expected a number with "
                    f"{decimal!r} before its decimals. Where {other!r} stands there, say --decimal "
                    f"'{other}'."
                )
        return numbers

    def _convert(self, expression: ColumnExpression, numbers: Floats, rows: Ints) -> Floats:
        """Return the channel's values; a code that is no whole number is none, and reported."""
        values = expression.convert(numbers)
        if channel_named(expression.channel).whole:
            broken = np.flatnonzero(values % 1.0 > 0)
            cells = pa.array([f"{value:g}" for value in values[broken].tolist()], pa.string())
            self._faults[expression.column].note_unread(rows[broken], cells)
            values[broken] = np.nan
        return values

    def _check_times(self, time_ns: Ints, rows: Ints, newest_ns: int) -> None:
        if len(rows) == 0:
            return
        backward = np.flatnonzero(np.diff(time_ns, prepend=np.int64(newest_ns)) < 0)
        if len(backward):
            raise InputError(
                f"{self.path}: {' + '.join(self.settings.time)}: row {rows[backward[0]]} goes back "
                "in time, expected rows in order. Sort the table by its time first; where a clock "
                "was set back an hour, say its --zone."
            )
        if abs(int(time_ns[-1])) > TIME_MAX_NS or abs(int(time_ns[0])) > TIME_MAX_NS:
            raise InputError(
                f"{self.path}: {' + '.join(self.settings.time)}: found times that no recording "
                "has; expected some between the years 1823 and 2116."
            )

    def _check_readable(self) -> None:
        """Refuse a table of which nothing in a column, or no time, could be read."""
        assert self._times is not None, "it was read"
        if self.row_count == 0:
            raise InputError(f"{self.path}: found no row below the names of its columns.")
        for faults in (self._times.faults, *self._faults.values()):
            if faults.unread + faults.blank == self.row_count:
                reported = " ".join(faults.sentences())
                hint = (
                    " Say how they are written with --time-format or --time-unit."
                    if faults is self._times.faults
                    else ""
                )
                raise InputError(
                    f"{self.path}: not one cell of {faults.column!r} is {faults.expected}. "
                    f"{reported}{hint}"
                )

    def sentences(self) -> list[str]:
        """Return what could not be read or checked so far, each in a sentence; empty: nothing."""
        remarks = [
            one.remark
            for channels in self._expressions.values()
            for one in channels.values()
            if one.remark
        ]
        if self._file is not None and self._file.uneven_rows:
            rows = self._file.uneven_rows
            shown = ", ".join(f"row {row} ({text!r})" for row, text in [*rows.items()][:3])
            remarks.append(
                f"{len(rows)} row{'s' if len(rows) > 1 else ''} left out, with another number of "
                f"cells than there are columns: {shown}{', ...' if len(rows) > 3 else ''}."
            )
        if self._times is not None:
            remarks += [f"Left out without a time: {one}" for one in self._times.faults.sentences()]
        for faults in self._faults.values():
            remarks += faults.sentences()
        return remarks

    def unread(self) -> list[dict[str, Any]]:
        """Return what could not be read, by column, as JSON objects; empty: all was read."""
        every = [*([self._times.faults] if self._times else []), *self._faults.values()]
        return [one.to_json() for one in every if one.unread or one.blank]

    def unread_count(self) -> int:
        """Return how many rows and cells held something that could not be read."""
        every = [*([self._times.faults] if self._times else []), *self._faults.values()]
        uneven = len(self._file.uneven_rows) if self._file else 0
        return uneven + sum(one.unread for one in every)

    def hold_times_s(self) -> dict[str, dict[str, float]]:
        """Return how long the values of each joint's channels hold, by its first ones, in seconds.

        Three of the periods in which a column has values.

        Raises
        ------
        InputError
            As for iterating over it.
        """
        holds: dict[str, dict[str, float]] = {}
        for block in islice(self, HOLD_BLOCKS):
            for batch in block:
                its = holds.setdefault(batch.joint, {})
                its |= {name: hold for name in batch.columns if name not in its
                        and (hold := _hold_s(batch, name)) is not None}  # fmt: skip
            if all(len(holds[batch.joint]) == len(batch.columns) for batch in block):
                break
        return {
            joint: {name: holds.get(joint, {}).get(name, SINGLE_VALUE_HOLD_S) for name in channels}
            for joint, channels in self.columns.items()
        }


def _hold_s(batch: ReadingBatch, channel: str) -> float | None:
    time_ns, _ = batch.channel_series(channel)
    if len(time_ns) < 2:
        return None
    period_s = to_s(float(np.median(np.diff(time_ns))))
    return float(f"{max(HOLD_PERIODS * period_s, _LEAST_HOLD_S):.3g}")


def _batch(joint: str, time_ns: Ints, values: Mapping[str, Floats]) -> ReadingBatch:
    has_value = ~np.all([np.isnan(column) for column in values.values()], axis=0)
    position = values.get("position_rad")
    segment = np.full(len(time_ns), -1, np.int32)
    if position is not None:
        segment[~np.isnan(position)] = 0
    return ReadingBatch(
        joint=joint,
        time_ns=time_ns[has_value],
        position_segment=segment[has_value],
        columns={channel: column[has_value] for channel, column in values.items()},
    )
