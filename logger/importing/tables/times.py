"""When each row of a table was: one column or two, a zone, or numbers of a stated unit.

Text is ISO 8601 (a comma in its seconds as well), day.month.year, or as a format says; it is of the
stated zone unless it names one. Numbers are exact to the digits that stand there (`log_stamps` has
the rule). An hour that a zone has twice is told apart by the order of the rows. A row whose time
cannot be read is left out, and told.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, Floats, Ints, stamps_to_ns
from logger.errors import InputError
from logger.importing.log_stamps import parse_decimal
from logger.importing.tables.cells import (
    ColumnFaults,
    cast_cells,
    combined,
    read_numbers,
    trimmed,
)
from logger.importing.tables.table_file import TableBlock
from logger.joint.bench.table_settings import TIME_UNITS_NS, TableSettings

__all__ = ["RowTimes"]

_QUARTER_NS: Final = 15 * 60 * 10**9
"""Zones change on whole quarters of an hour (UTC)."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_NUMBER: Final = r"^[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?$"
_SPELLINGS: Final = (
    (r"^(\d)\.", r"0\1."),
    (r"^(\d\d)\.(\d)\.", r"\1.0\2."),
    (r"^(\d\d)\.(\d\d)\.(\d{4})", r"\3-\2-\1"),
    (r"^(\d{4})/(\d\d)/(\d\d)", r"\1-\2-\3"),
    (r"^(\d{4}-\d\d-\d\d)[ T]+(\d):", r"\1 0\2:"),
    (r"(:\d\d),(\d)", r"\1.\2"),
)
"""What differs from ISO 8601 and cannot mean two things."""
_SECONDS_FRACTION: Final = r"^(?P<whole>.*:\d\d)[.,](?P<fraction>\d{1,9})(?P<rest>.*)$"


class RowTimes:
    """Reads the times of a table's rows, block after block, in order."""

    def __init__(self, settings: TableSettings, where: str) -> None:
        """`where`: the table, for errors."""
        self._settings, self._where = settings, where
        self.name = " + ".join(settings.time)
        self.faults = ColumnFaults(column=self.name, expected="a time")
        self._zone = None if settings.zone == "UTC" else ZoneInfo(settings.zone)
        self._newest_local_ns: int | None = None
        self._is_second_pass = False
        """Whether the rows are in the second run through an hour that the zone has twice."""

    def read_block(self, block: TableBlock) -> tuple[Ints, NDArray[np.bool_]]:
        """Return the time of each of n rows in ns since 1970, and which rows have one.

        Raises
        ------
        InputError
            Numbers that are no times in their unit.
        """
        columns = [block.columns[name] for name in self._settings.time]
        if len(columns) == 2:
            return self._read_text(_joined(*columns), block.rows)
        kind = columns[0].type
        if pa.types.is_timestamp(kind):
            return self._read_stamps(combined(columns[0]), block.rows)
        if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_date(kind):
            return self._read_text(trimmed(columns[0]), block.rows)
        return self._read_counts(columns[0], block.rows)

    def _read_stamps(self, cells: pa.Array, rows: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        kind = cells.type
        stamps = cast_cells(cells, pa.timestamp("ns", tz=kind.tz))
        local, known, given = _to_ns(stamps), _is_valid(stamps), _is_valid(cells)
        self.faults.note_blank(rows[~given])
        # A year that nanoseconds do not reach is no time.
        self.faults.note_unread(rows[given & ~known], cells.filter(pa.array(given & ~known)))
        return self._of_zone(local, known, rows) if kind.tz is None else (local, known)

    def _read_text(self, cells: pa.Array, rows: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        time_ns = np.zeros(len(cells), np.int64)
        known = np.zeros(len(cells), np.bool_)
        blank = pc.is_null(cells).to_numpy(zero_copy_only=False)
        number = np.zeros(len(cells), np.bool_)
        if not self._settings.time_format:
            number = pc.fill_null(pc.match_substring_regex(cells, _NUMBER), fill_value=False)
            number = number.to_numpy(zero_copy_only=False)
        if number.any():
            counted = self._decimal_counts(cells.filter(pa.array(number)), rows[number])
            time_ns[number], known[number] = counted, True
        dated = ~number & ~blank
        if dated.any():
            place = np.flatnonzero(dated)
            words = cells.take(pa.array(place))
            naive, zoned = self._parse_dates(words)
            has_zone, is_naive = _is_valid(zoned), _is_valid(naive)
            time_ns[place], known[place] = _to_ns(zoned), has_zone
            local, readable = self._of_zone(_to_ns(naive), is_naive, rows[place])
            time_ns[place[is_naive]] = local[is_naive]
            known[place[is_naive]] = readable[is_naive]
            unread = ~(has_zone | is_naive)
            self.faults.note_unread(rows[place[unread]], words.filter(pa.array(unread)))
        self.faults.note_blank(rows[blank])
        return time_ns, known

    def _parse_dates(self, words: pa.Array) -> tuple[pa.Array, pa.Array]:
        """Return texts as times of the table's zone, and as times of a zone that they name."""
        naive, zoned = pa.timestamp("ns"), pa.timestamp("ns", tz="UTC")
        if self._settings.time_format:
            return self._parse_format(words), pa.nulls(len(words), zoned)
        for spelling, meant in _SPELLINGS:
            words = pc.replace_substring_regex(words, spelling, meant)
        # Either type is tried on what looks like it only: a refusal costs what a cast costs.
        names_zone = pc.match_substring_regex(words, r":\d\d.*(Z|[+-]\d\d(:?\d\d)?)$")
        none = pa.scalar(None, pa.string())
        return (
            cast_cells(pc.if_else(names_zone, none, words), naive),
            cast_cells(pc.if_else(names_zone, words, none), zoned),
        )

    def _parse_format(self, words: pa.Array) -> pa.Array:
        parts = pc.extract_regex(words, _SECONDS_FRACTION)
        whole = pc.struct_field(parts, "whole")
        has_fraction = pc.is_valid(whole)
        rest = pc.struct_field(parts, "rest")
        plain = pc.if_else(has_fraction, pc.binary_join_element_wise(whole, rest, ""), words)
        try:
            stamps = pc.strptime(
                plain, format=self._settings.time_format, unit="s", error_is_null=True
            )
        except pa.ArrowInvalid as fault:
            raise InputError(
                f"{self._where}: time_format: found {self._settings.time_format!r}, expected a "
                f"format of strptime such as %d/%m/%Y %H:%M:%S ({fault})."
            ) from None
        digits = pc.utf8_rpad(pc.struct_field(parts, "fraction"), width=9, padding="0")
        fraction_ns = pc.fill_null(digits.cast(pa.int64()), 0)
        # A year that nanoseconds do not reach is no time.
        seconds = cast_cells(stamps, pa.timestamp("ns")).cast(pa.int64())
        return pc.add(seconds, fraction_ns).cast(pa.timestamp("ns"))

    def _of_zone(
        self, local_ns: Ints, known: NDArray[np.bool_], rows: Ints
    ) -> tuple[Ints, NDArray[np.bool_]]:
        """Return times of the table's zone as UTC; a time that the zone skips is none."""
        if self._zone is None or not known.any():
            return local_ns, known
        local = local_ns[known]
        first, second = _offsets_ns(local, self._zone)
        skipped = first < second
        twice = first > second
        use_second = self._second_passes(local, twice)
        utc = local_ns.copy()
        utc[known] = local - np.where(use_second, second, first)
        readable = known.copy()
        readable[np.flatnonzero(known)[skipped]] = False
        shown = [
            f"{np.datetime64(at // 10**9, 's')}, which {self._settings.zone} skips"
            for at in local[skipped].tolist()
        ]
        self.faults.note_unread(rows[known][skipped], pa.array(shown, pa.string()))
        return utc, readable

    def _second_passes(self, local: Ints, twice: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return which rows are in the second run: after the clock went back in that hour."""
        newest = local[0] if self._newest_local_ns is None else self._newest_local_ns
        is_backward = np.diff(local, prepend=np.int64(newest)) < 0
        self._newest_local_ns = int(local[-1])
        if not twice.any():
            self._is_second_pass = False
            return twice
        place = np.arange(len(local))
        entered = np.maximum.accumulate(np.where(twice, -1, place + 1))
        back = np.maximum.accumulate(np.where(is_backward & twice, place, -1))
        second = twice & ((back >= entered) & (back >= 0))
        second |= twice & (entered < 0) & self._is_second_pass
        self._is_second_pass = bool(second[-1])
        return second

    def _decimal_counts(self, cells: pa.Array, rows: Ints) -> Ints:
        unit_ns = TIME_UNITS_NS[self._settings.time_unit]
        digits = len(str(unit_ns)) - 1
        written = [parse_decimal(text.replace(",", "."), digits) for text in cells.to_pylist()]
        if any(one is None or abs(one) > TIME_MAX_NS for one in written):
            raise self._no_times(rows)
        return np.array(written, np.int64)

    def _read_counts(self, column: pa.ChunkedArray, rows: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        """Return numbers of the unit in ns, exact to their digits."""
        unit_ns = TIME_UNITS_NS[self._settings.time_unit]
        if pa.types.is_decimal(column.type):
            return self._read_text(trimmed(column), rows)
        numbers: Floats = read_numbers(column, rows, self.faults, decimal=".")
        known = ~np.isnan(numbers)
        if not (np.abs(numbers[known]) <= TIME_MAX_NS / unit_ns).all():
            raise self._no_times(rows)
        if pa.types.is_integer(column.type):
            counts = pc.fill_null(column, 0).cast(pa.int64(), safe=False).to_numpy()
            if not (np.abs(counts[known]) <= TIME_MAX_NS // unit_ns).all():
                raise self._no_times(rows)
            return np.where(known, counts * unit_ns, 0), known
        time_ns = np.zeros(len(numbers), np.int64)
        time_ns[known] = stamps_to_ns(numbers[known], unit_ns)
        return time_ns, known

    def _no_times(self, rows: Ints) -> InputError:
        return InputError(
            f"{self._where}: {self.name}: found a time that is no time in "
            f"{self._settings.time_unit}, in rows {rows[0]} to {rows[-1]}; expected one between "
            "the years 1823 and 2116. Say what a number counts with --time-unit."
        )


def _joined(dates: pa.ChunkedArray, times: pa.ChunkedArray) -> pa.Array:
    """Return a column of dates and one of times of day as one of both, null where either is."""
    return pc.binary_join_element_wise(trimmed(dates), trimmed(times), " ")


def _is_valid(cells: pa.Array) -> NDArray[np.bool_]:
    valid: NDArray[np.bool_] = cells.is_valid().to_numpy(zero_copy_only=False)
    return valid


def _to_ns(stamps: pa.Array) -> Ints:
    time_ns: Ints = pc.fill_null(stamps.cast(pa.int64()), 0).to_numpy(zero_copy_only=False)
    return time_ns


def _offsets_ns(local_ns: Ints, zone: ZoneInfo) -> tuple[Ints, Ints]:
    """Return how far a zone is from UTC at local times: for the first and the second of two runs.

    Where the first is the smaller one, the zone skips that time.
    """
    quarters, place = np.unique(local_ns // _QUARTER_NS, return_inverse=True)

    def offsets(fold: int) -> Ints:
        of_quarter: Callable[[int], int] = lambda quarter: _offset_ns(quarter, zone, fold)  # noqa: E731
        return np.array([of_quarter(quarter) for quarter in quarters.tolist()], np.int64)[place]

    return offsets(0), offsets(1)


def _offset_ns(quarter: int, zone: ZoneInfo, fold: int) -> int:
    try:
        local = (_EPOCH + timedelta(minutes=15 * quarter)).replace(tzinfo=zone, fold=fold)
        offset = local.utcoffset() or timedelta()
    except OverflowError:
        return 0
    return (offset.days * 86_400 + offset.seconds) * 10**9
