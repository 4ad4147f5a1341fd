"""The health of recorder and buses (load, losses, disk), and its rows once a second. Pure."""

import math
from dataclasses import dataclass
from typing import Final

import pyarrow as pa

from logger.arrays import Ints
from logger.store.layout.schema import BUS_SCHEMA, HEALTH_SCHEMA, table_of_rows
from logger.traffic.per_second import BusSecond

__all__ = ["UNKNOWN_HEALTH", "BusHealth", "RecorderHealth", "bus_rows", "health_rows"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BusHealth:
    """Health of one bus."""

    second: BusSecond
    lost: int
    """Frames lost since the recording began."""
    garbled: int
    """Lines or frames of the adapter that could not be read, since then."""
    unanswered: int = 0
    """Requests of the recorder that were not answered in time, since it began."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderHealth:
    """Health of the recorder as far as the caller knows it; NaN for what it does not know."""

    buses: tuple[BusHealth, ...] = ()
    disk_left_h: float = math.nan

    @property
    def bus_load(self) -> float:
        """Load of the bus that is loaded most."""
        loads = [bus.second.load for bus in self.buses if not math.isnan(bus.second.load)]
        return max(loads, default=math.nan)

    @property
    def error_frames(self) -> float:
        """Error frames on all buses within the last second; NaN without a bus."""
        return sum(bus.second.error_frames for bus in self.buses) if self.buses else math.nan

    @property
    def garbled(self) -> int:
        """Lines or frames that an adapter could not make sense of, on all buses."""
        return sum(bus.garbled for bus in self.buses)


UNKNOWN_HEALTH: Final = RecorderHealth()


def health_rows(
    marks_ns: Ints,
    frames_per_s: list[float],
    health: RecorderHealth,
    *,
    dropped: int,
    undecoded: int,
) -> pa.RecordBatch:
    """Return rows of the `health` stream, one for each whole second of `marks_ns`."""
    return table_of_rows(
        [
            {
                "time": mark_ns,
                "frames_per_s": frames,
                "bus_load": _or_none(health.bus_load),
                "dropped": dropped,
                "undecoded": undecoded,
                "disk_left_h": _or_none(health.disk_left_h),
            }
            for mark_ns, frames in zip(marks_ns.tolist(), frames_per_s, strict=True)
        ],
        HEALTH_SCHEMA,
    )


def bus_rows(mark_ns: int, health: RecorderHealth) -> pa.RecordBatch:
    """Return rows of the `buses` stream at one whole second, one for each bus."""
    return table_of_rows(
        [
            {
                "time": mark_ns,
                "bus": bus_index,
                "frames_per_s": bus.second.frames_per_s,
                "load": _or_none(bus.second.load),
                "error_frames": bus.second.error_frames,
                "remote_frames": bus.second.remote_frames,
                "lost": bus.lost,
                "garbled": bus.garbled,
                "unanswered": bus.unanswered,
            }
            for bus_index, bus in enumerate(health.buses)
        ],
        BUS_SCHEMA,
    )


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
