"""Times of day across a clock change, on every page: each instant by the rule that held then."""

import json
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

from logger.importing.import_frames import import_frames
from logger.limits.limit import LimitSet
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames

HALF_MINUTE_NS = 30_000_000_000
CHANGE_NS = 1_792_890_000_000_000_000
"""25 October 2026, 01:00 UTC: in Berlin 03:00 summer time becomes 02:00 winter time."""


def test_a_recording_across_a_clock_change(serve, get: Callable[..., tuple], tmp_path: Path):
    """In Berlin it lasted from 02:59:30 to 02:00:30, in UTC from 00:59:30 to 01:00:30."""
    start_ns = CHANGE_NS - HALF_MINUTE_NS
    import_frames(
        simulate_frames(hours=1 / 60, rate_Hz=20.0, seed=3, start_ns=start_ns),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=20.0),
        limits=LimitSet(),
        out=tmp_path / "change",
        name="Change",
        start_ns=start_ns,
        end_ns=CHANGE_NS + HALF_MINUTE_NS,
        simulated=True,
    )
    address = serve(tmp_path)

    def ask(path: str, zone: str) -> str:
        mark = "&" if "?" in path else "?"
        status, text = get(f"{address}/api/{path}{mark}zone={quote(zone)}")
        assert status == 200, text
        assert json.loads(text).get("zone", zone) == zone
        return text

    for zone, begins, ends in (
        ("Europe/Berlin", "02:59:30", "02:00:30"),
        ("UTC", "00:59:30", "01:00:30"),
    ):
        for path in ("recordings/change/overview", "recordings/change/bus"):
            text = ask(path, zone)
            assert begins in text, path
            assert ends in text, path
        for path in ("recordings", "bus/recordings", "limits"):
            assert f"25 Oct {begins[:5]}" in ask(path, zone), path
