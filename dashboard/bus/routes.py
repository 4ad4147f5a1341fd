"""The routes that the Bus page reads from: which recordings there are, and one of them.

All GET and without any effect. The figures of each second are kept between two questions, so that
what a live recording has added is all that is read.
"""

import math
import threading
from collections import OrderedDict
from typing import Any, Final

from fastapi import FastAPI
from fastapi.responses import Response

from dashboard.bus.view import BusViewRequest, bus_view
from dashboard.figures.sheet import make_sheet
from dashboard.replay.routes import json_answer
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.theme import LIGHT, THEMES, format_clock, format_day, reader_zone
from replay.bus_history import NO_SECONDS, BusSeconds, extend_bus_seconds
from replay.recording import Recording

__all__ = ["BUS_VIEW_PATH", "add_bus_routes"]

BUS_VIEW_PATH: Final = "/heard"
MAX_RECENT_RECORDINGS: Final = 4
DEFAULT_NEWEST_S: Final = 10.0
MAX_RECORDING_S: Final = 400 * 86400.0


class _RecentRecordings:
    """What is known of the recordings looked at last; safe for several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._seconds: OrderedDict[Recording, BusSeconds] = OrderedDict()

    def bus_seconds(self, recording: Recording) -> BusSeconds:
        # A recording that was opened anew is another: what was known of the old one goes.
        with self._lock:
            seconds = extend_bus_seconds(recording, self._seconds.pop(recording, NO_SECONDS))
            self._seconds[recording] = seconds
            while len(self._seconds) > MAX_RECENT_RECORDINGS:
                self._seconds.popitem(last=False)
            return seconds


def add_bus_routes(server: FastAPI, cache: RecordingCache) -> None:
    """Add the routes; each runs on a worker thread, since each reads disk."""
    recent = _RecentRecordings()

    def get_list(offset_min: float = 0.0) -> Response:
        where = reader_zone(offset_min)
        return json_answer(
            lambda: {
                "folder": str(cache.folder),
                "recordings": [
                    {
                        "path": entry.path.name,
                        "name": entry.name,
                        "live": entry.live,
                        "begun": f"{format_day(entry.started_ns, where, year=False)} "
                        f"{format_clock(entry.started_ns, where)[:5]}",
                    }
                    for entry in cache.list_entries()
                    if not entry.fault
                ],
            }
        )

    def get_view(
        name: str,
        *,
        bus: str = "",
        start: float | None = None,
        end: float | None = None,
        span0: float | None = None,
        span1: float | None = None,
        newest: float = DEFAULT_NEWEST_S,
        width: float = 900,
        height: float = 440,
        form: str = "normal",
        theme: str = "light",
        offset_min: float = 0.0,
    ) -> Response:
        def make_view() -> dict[str, Any]:
            recording = cache.open_recording(name)
            names = [bus_settings.name for bus_settings in recording.bench.buses]
            request = BusViewRequest(
                bus=names.index(bus) if bus in names else 0,
                view=_valid_span(start, end),
                span=_valid_span(span0, span1),
                newest_s=min(max(newest, 1.0), 600.0)
                if math.isfinite(newest)
                else DEFAULT_NEWEST_S,
                sheet=make_sheet(
                    form,
                    width if math.isfinite(width) else 900,
                    height if math.isfinite(height) else 440,
                ),
                theme=THEMES.get(theme, LIGHT),
                where=reader_zone(offset_min),
            )
            return bus_view(recording, recent.bus_seconds(recording), request)

        return json_answer(make_view)

    for path, route in (("", get_list), ("/{name}", get_view)):
        server.add_api_route(BUS_VIEW_PATH + path, route, methods=["GET"], response_model=None)


def _valid_span(first: float | None, second: float | None) -> tuple[float, float] | None:
    """Return two ends in order, None unless both are numbers that a recording can have."""
    if first is None or second is None:
        return None
    if not (abs(first) < MAX_RECORDING_S and abs(second) < MAX_RECORDING_S and second > first):
        return None
    return first, second
