"""The server's memory stays flat: a live recording fed fast, three tabs that look, for long.

It is the requests that must leave nothing behind. What a page shows of a recording grows with the
recording: a day open takes more than an hour (tests/benchmarks/test_memory.py has that figure).
"""

import os
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Final

import pytest
from websockets.exceptions import WebSocketException
from websockets.sync.client import connect

from dashboard.live.wire_format import UPDATE_HEADER
from tests.support.web import resident_bytes, wait_until

MINUTES: Final = float(os.environ.get("MEMORY_MINUTES", "8"))
MAX_MB: Final = 400
MOST_GROWTH: Final = 1.1
FIRST_SETTLED: Final = 0.4
"""Share of the time after which all caches are full."""
TABS: Final = 3
# Six times as fast as in life: two joints at 100 Hz, limits, events, parts, overviews.
_FEED: Final = """
import sys, time
from pathlib import Path

from logger.limits.limit import parse_limits
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter

out, start_ns, ended = Path(sys.argv[1]), time.time_ns(), 0
bench = scenario.scenario_bench(channel="x", rate_Hz=100.0)
limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
writer = RecordingWriter(
    out, new_manifest(bench, name="long", started_ns=start_ns), bench, now_s=0.0
)
events = EventLog(bench, writer)
pipeline = Pipeline(bench, limits, writer, events, start_ns=start_ns)
begun_s = time.monotonic()
for batch in simulate_frames(hours=500.0, rate_Hz=100.0, seed=3, start_ns=start_ns):
    for first in range(0, len(batch), 100):
        part = batch.select_rows(slice(first, first + 100))
        now_ns = int(part.time_ns[-1])
        pipeline.process(part, now_ns=now_ns)
        pipeline.record_seconds(now_ns)
        writer.tick((now_ns - start_ns) * 1e-9)
        ahead_s = (now_ns - start_ns) / 6e9 - (time.monotonic() - begun_s)
        if ahead_s > 0:
            time.sleep(ahead_s)
"""


@pytest.fixture
def fed_recording(tmp_path: Path) -> Iterator[Path]:
    """Give a recording that is being written six times as fast as in life."""
    path = tmp_path / "recordings" / "long"
    path.parent.mkdir()
    feeding = subprocess.Popen([sys.executable, "-c", _FEED, str(path)])
    try:
        assert wait_until((path / "recording.json").exists)
        yield path
    finally:
        feeding.kill()
        feeding.wait()


class _Tab(threading.Thread):
    """A page that is looked at: Live by its websocket, and the routes of the other pages."""

    def __init__(self, address: str, name: str, stop: threading.Event) -> None:
        super().__init__()
        self._address, self._recording, self._end = address, name, stop
        self.updates = self.requests = 0

    def run(self) -> None:
        live = self._address.replace("http", "ws") + "/api/live"
        with connect(live, origin=self._address, max_size=None) as socket:
            socket.send('{"kind": "look", "window_s": 60, "width": 1200, "form": "normal"}')
            while not self._end.is_set():
                try:
                    message = socket.recv(timeout=1.0)
                except (TimeoutError, WebSocketException):
                    continue
                if isinstance(message, bytes):
                    serial = UPDATE_HEADER.unpack_from(message)[3]
                    socket.send(f'{{"ack": {serial}}}')
                    self.updates += 1
                    self._poll()

    def _poll(self) -> None:
        recording = f"/api/recordings/{self._recording}"
        end_s = 60.0 * (1 + self.updates % 7)
        paths = (
            "/api/recordings",
            f"{recording}/overview?width=1200",
            f"{recording}/window?start=0&end={end_s}&width=1200",
            f"{recording}/window?start={end_s}&end={2 * end_s}&width=1200",
            f"{recording}/span?start=0&end={end_s}",
            f"{recording}/bus?width=1200",
            "/api/bus/recordings",
            "/api/limits",
        )
        with urllib.request.urlopen(self._address + paths[self.requests % len(paths)]) as answer:
            answer.read()
        self.requests += 1


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_the_server_does_not_grow(bench, serve, fed_recording: Path):
    """Thousands of requests and updates: the end weighs what the middle weighs."""
    address = serve(fed_recording.parent)
    server = bench.processes()[-1]
    stop = threading.Event()
    tabs = [_Tab(address, fed_recording.name, stop) for _ in range(TABS)]
    sizes_MB: list[float] = []  # noqa: N806 - the unit's own spelling
    try:
        for tab in tabs:
            tab.start()
        end_s = time.monotonic() + 60 * MINUTES
        while time.monotonic() < end_s:
            time.sleep(1.0)
            sizes_MB.append(resident_bytes(server.pid) / 1e6)
    finally:
        stop.set()
        for tab in tabs:
            tab.join(30)
    assert all(tab.updates > 100 and tab.requests > 100 for tab in tabs)
    settled = sizes_MB[round(len(sizes_MB) * FIRST_SETTLED) :]
    fifth = len(settled) // 5
    first, last = median(settled[:fifth]), median(settled[-fifth:])
    shown = [round(size) for size in sizes_MB[:: max(1, len(sizes_MB) // 40)]]
    assert last <= MOST_GROWTH * first, shown
    assert max(sizes_MB) <= MAX_MB, shown
