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

from dashboard.bus.view import Asked, bus_page
from dashboard.figures.sheet import sheet_of
from dashboard.replay.routes import answer
from dashboard.server.recording_cache import Shelf
from dashboard.text.theme import LIGHT, THEMES, clock, day, zone
from replay.bus_history import NOTHING, BusSeconds, more
from replay.recording import Recording

__all__ = ["HEARD_PATH", "add_heard_routes"]

HEARD_PATH: Final = "/heard"
KEPT: Final = 4
NEWEST_S: Final = 10.0
LONGEST_S: Final = 400 * 86400.0


class _Kept:
    """What is known of the recordings looked at last; safe for several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: OrderedDict[Recording, BusSeconds] = OrderedDict()

    def of(self, recording: Recording) -> BusSeconds:
        # A recording that was opened anew is another: what was known of the old one goes.
        with self._lock:
            known = more(recording, self._known.pop(recording, NOTHING))
            self._known[recording] = known
            while len(self._known) > KEPT:
                self._known.popitem(last=False)
            return known


def add_heard_routes(server: FastAPI, shelf: Shelf) -> None:
    """Add the routes; each runs on a worker thread, since each reads disk."""
    kept = _Kept()

    def listed(offset_min: float = 0.0) -> Response:
        where = zone(offset_min)
        return answer(
            lambda: {
                "folder": str(shelf.folder),
                "recordings": [
                    {
                        "path": found.path.name,
                        "name": found.name,
                        "live": found.live,
                        "begun": f"{day(found.started_ns, where, year=False)} "
                        f"{clock(found.started_ns, where)[:5]}",
                    }
                    for found in shelf.found()
                    if not found.fault
                ],
            }
        )

    def opened(
        name: str,
        *,
        bus: str = "",
        start: float | None = None,
        end: float | None = None,
        span0: float | None = None,
        span1: float | None = None,
        newest: float = NEWEST_S,
        width: float = 900,
        height: float = 440,
        form: str = "normal",
        theme: str = "light",
        offset_min: float = 0.0,
    ) -> Response:
        def work() -> dict[str, Any]:
            recording = shelf.open(name)
            names = [one.name for one in recording.bench.buses]
            asked = Asked(
                bus=names.index(bus) if bus in names else 0,
                view=_pair(start, end),
                span=_pair(span0, span1),
                newest_s=min(max(newest, 1.0), 600.0) if math.isfinite(newest) else NEWEST_S,
                sheet=sheet_of(
                    form,
                    width if math.isfinite(width) else 900,
                    height if math.isfinite(height) else 440,
                ),
                theme=THEMES.get(theme, LIGHT),
                where=zone(offset_min),
            )
            return bus_page(recording, kept.of(recording), asked)

        return answer(work)

    for path, route in (("", listed), ("/{name}", opened)):
        server.add_api_route(HEARD_PATH + path, route, methods=["GET"], response_model=None)


def _pair(first: float | None, second: float | None) -> tuple[float, float] | None:
    """Return two ends in order, None unless both are numbers that a recording can have."""
    if first is None or second is None:
        return None
    if not (abs(first) < LONGEST_S and abs(second) < LONGEST_S and second > first):
        return None
    return first, second
