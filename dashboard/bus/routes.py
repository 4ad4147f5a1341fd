"""The routes that the Bus page reads from: the list of recordings, and one of them.

All GET and without any effect. The statistics of each second are cached, so that of a live
recording only the new ones are read.
"""

from typing import Annotated, Final

from fastapi import APIRouter, Depends, FastAPI, Query, Request

from dashboard.bus.view import BusViewRequest, bus_view
from dashboard.server.dependencies import OpenRecording, Recordings
from dashboard.server.json_answer import JsonAnswer
from dashboard.server.queries import FigureQuery, ZoneQuery, finite_or
from dashboard.text.format import format_short_date_time
from dashboard.text.zone import zone_name
from logger.store.layout.byte_cache import ByteLruCache
from replay.bus_history import NO_SECONDS, BusSeconds, extend_bus_seconds
from replay.recording import Recording

__all__ = ["add_bus_routes"]

MAX_BUS_HISTORIES: Final = 4
DEFAULT_NEWEST_S: Final = 10.0
MIN_NEWEST_S: Final = 1.0
MAX_NEWEST_S: Final = 600.0
MAX_RECORDING_S: Final = 400 * 86400.0
bus_routes = APIRouter(prefix="/api")


class BusQuery(FigureQuery, ZoneQuery):
    """Which bus of a recording, which window and which span of it."""

    bus: str = ""
    """Its name; the first one where there is none of that name."""
    start: float | None = None
    end: float | None = None
    """The window in seconds since the start; None: the whole recording."""
    span0: float | None = None
    span1: float | None = None
    """The span whose frames are evaluated; None: the newest `newest` seconds."""
    newest: float = DEFAULT_NEWEST_S

    def view_request(self, recording: Recording) -> BusViewRequest:
        """Return the request for a recording, clipped to its range."""
        names = [bus.name for bus in recording.bench.buses]
        newest_s = finite_or(self.newest, DEFAULT_NEWEST_S)
        return BusViewRequest(
            bus=names.index(self.bus) if self.bus in names else 0,
            view=_ordered_pair(self.start, self.end),
            span=_ordered_pair(self.span0, self.span1),
            newest_s=min(max(newest_s, MIN_NEWEST_S), MAX_NEWEST_S),
            sheet=self.sheet,
            theme=self.colours,
            zone=self.time_zone,
        )


class BusHistories:
    """A cache of the statistics of each second of the recordings that were opened last."""

    def __init__(self) -> None:
        # Each counts as 1: so many recordings. One that is opened again is another object, and the
        # entry of the old one is evicted in time.
        self._known: ByteLruCache[BusSeconds] = ByteLruCache(max_bytes=MAX_BUS_HISTORIES)

    def up_to_date(self, recording: Recording) -> BusSeconds:
        """Return the statistics of a recording with those written since the last call."""
        seconds = extend_bus_seconds(recording, self._known.get(recording) or NO_SECONDS)
        self._known.put(recording, seconds, size_bytes=1)
        return seconds


async def _bus_histories(request: Request) -> BusHistories:
    histories: BusHistories = request.app.state.bus_histories
    return histories


@bus_routes.get("/bus/recordings")
def list_bus_recordings(recordings: Recordings, query: Annotated[ZoneQuery, Query()]) -> JsonAnswer:
    """Answer the recordings whose buses can be shown."""
    zone = query.time_zone
    listed = [
        {
            "path": entry.path.name,
            "name": entry.name,
            "live": entry.live,
            "begun": format_short_date_time(entry.started_ns, zone),
        }
        for entry in recordings.list_entries()
        if not entry.fault
    ]
    return JsonAnswer(
        {"folder": str(recordings.folder), "recordings": listed, "zone": zone_name(zone)}
    )


@bus_routes.get("/recordings/{name}/bus")
def show_bus(
    recording: OpenRecording,
    histories: Annotated[BusHistories, Depends(_bus_histories)],
    query: Annotated[BusQuery, Query()],
) -> JsonAnswer:
    """Answer everything that the page shows of a recording."""
    seconds = histories.up_to_date(recording)
    return JsonAnswer(bus_view(recording, seconds, query.view_request(recording)))


def add_bus_routes(server: FastAPI) -> None:
    """Add the routes; each runs on a worker thread, since each reads disk."""
    server.state.bus_histories = BusHistories()
    server.include_router(bus_routes)


def _ordered_pair(first: float | None, second: float | None) -> tuple[float, float] | None:
    """Return two ends in order, None unless both are numbers that a recording can have."""
    if first is None or second is None:
        return None
    if not (abs(first) < MAX_RECORDING_S and abs(second) < MAX_RECORDING_S and second > first):
        return None
    return first, second
