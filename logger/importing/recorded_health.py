"""Health of the recorder (load, losses, disk) at a time, read from a finished recording.

Load and losses of each bus and the free space of the disk do not follow from the frames: a redecode
reads them from the streams `health` and `buses`. An hour of them is in memory at a time.
"""

import math
from bisect import bisect_right
from typing import Final

import pyarrow as pa

from logger.recording.recorder_health import BusHealth, RecorderHealth
from logger.store.reading.reader import RecordingReader
from logger.traffic.per_second import BusSecond

__all__ = ["RecordedHealth"]

LOADED_SPAN_NS: Final = 3600 * 10**9
MAX_HEALTH_AGE_NS: Final = 10 * 10**9
"""How far before an hour its rows are read from, for the first seconds of it."""


class RecordedHealth:
    """The health of a finished recording's recorder at any time; an hour of it in memory."""

    def __init__(self, reader: RecordingReader) -> None:
        self._reader = reader
        self._buses = range(len(reader.bench.buses))
        self._from_ns = self._until_ns = 0
        self._disk: list[dict[str, object]] = []
        self._bus: list[list[dict[str, object]]] = []

    def health_at(self, time_ns: int) -> RecorderHealth:
        """Return the health that was the newest at `time_ns`."""
        if not self._from_ns <= time_ns < self._until_ns:
            self._load_hour(time_ns)
        disk = _newest_row(self._disk, time_ns)
        buses = [_newest_row(rows, time_ns) for rows in self._bus]
        return RecorderHealth(
            buses=tuple(
                BusHealth(
                    second=BusSecond(
                        frames_per_s=_finite_or_nan(row["frames_per_s"]),
                        load=_finite_or_nan(row["load"]),
                        error_frames=_count_or_zero(row["error_frames"]),
                        remote_frames=_count_or_zero(row["remote_frames"]),
                    ),
                    lost=_count_or_zero(row["lost"]),
                    garbled=_count_or_zero(row["garbled"]),
                    unanswered=_count_or_zero(row["unanswered"]),
                )
                for row in buses
                if row is not None
            ),
            disk_left_h=math.nan if disk is None else _finite_or_nan(disk["disk_left_h"]),
        )

    def _load_hour(self, time_ns: int) -> None:
        self._from_ns, self._until_ns = time_ns, time_ns + LOADED_SPAN_NS
        # The newest rows before the hour are the health at its first moments.
        start_ns, end_ns = self._from_ns - MAX_HEALTH_AGE_NS, self._until_ns
        table = self._reader.read_rows
        self._disk = _health_rows(
            table("health", start_ns=start_ns, end_ns=end_ns, columns=["time", "disk_left_h"])
        )
        buses = _health_rows(table("buses", start_ns=start_ns, end_ns=end_ns))
        self._bus = [[row for row in buses if row["bus"] == bus_index] for bus_index in self._buses]


def _health_rows(table: pa.Table) -> list[dict[str, object]]:
    """Return rows as mappings, `time` in nanoseconds."""
    times = table["time"].cast(pa.int64())
    rows: list[dict[str, object]] = table.set_column(0, "time", times).to_pylist()
    return rows


def _newest_row(rows: list[dict[str, object]], time_ns: int) -> dict[str, object] | None:
    row_index = bisect_right(rows, time_ns, key=lambda row: _count_or_zero(row["time"]))
    return rows[row_index - 1] if row_index else None


def _finite_or_nan(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _count_or_zero(value: object) -> int:
    return value if isinstance(value, int) else 0
