"""Follows the newest recording that is being written, once for all open pages.

While a page is open, one task refreshes the recording eight times a second and publishes a
`Snapshot`: the recording, its present, the newest values of each joint. Without an open page it
costs nothing, and the next page starts from an empty snapshot. Reads disk in a worker thread, never
in the event loop. Ages are counted on this machine's steady clock (`replay.present`), so that
setting the wall clock makes nothing look old.
"""

import asyncio
import logging
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Final

import numpy as np

from dashboard.live.bus_lines import lost_buses, read_bus_facts
from dashboard.live.joint_facts import joint_facts, joints_of, watched_temperature
from dashboard.live.snapshot import BusFacts, LatestValues, SlowValues, Snapshot
from dashboard.server.recording_cache import RecordingCache
from logger.errors import DutytraceError
from logger.store.layout.events import Event
from replay.excursions.alert_peaks import alert_peak
from replay.forecast import newest_forecast
from replay.present import PresentClock
from replay.recording import Recording
from replay.trend import RecentTrend, temperature_trend
from replay.urgency import JointOrder, next_order

__all__ = ["Follower", "latest_values"]

log = logging.getLogger(__name__)

UPDATE_PERIOD_S: Final = 1 / 8
"""One update takes a browser 45 ms of a core: three tabs and a logger must fit on two cores."""
SEARCH_PERIOD_S: Final = 1.0
"""How often the folder is searched for a newer live recording."""
ORDER_PERIOD_S: Final = 0.2
"""How often it is looked whether a joint's state, and with it its place, is another one."""
SLOW_PERIOD_S: Final = 1.0
_PARTS_A_LOOK: Final = 16
"""Parts that are opened at a look to say what is missing: the page waits for it."""
TREND_SHARES: Final = 5
"""Of so many joints one gets a new trend at each slow look: a trend over four minutes hardly
changes within seconds, and all at once would keep the pages of a large bench waiting."""
FAILURES_UNTIL_REPORT: Final = 3
"""Failures to read in a row, half a second apart, after which the pages are told."""
MAX_LATENESS_NS: Final = 1_000_000_000
"""Rows of one joint may come so much later than those of another."""
FIRST_LOOK_NS: Final = 10_000_000_000
"""So much before a joint's newest row is read at first, for channels that come seldom."""
FRESH_VALUES_NS: Final = 700_000_000
"""While values are no older than this, the window ends at the newest rather than at the clock."""


class Follower:
    """Publishes snapshots; one instance serves every page."""

    def __init__(
        self, cache: RecordingCache, *, prepare: Callable[[Snapshot], None] = lambda _: None
    ) -> None:
        """Begin; `prepare` is called with each new snapshot, in the thread that reads."""
        self._cache = cache
        self._prepare = prepare
        self._watchers: set[asyncio.Event] = set()
        self._task: asyncio.Task[None] | None = None
        self._name: str | None = None
        self._searched_s = -1e9
        self._measured_s = -1e9
        self._trend_turn = 0
        self._trends: dict[str, RecentTrend | None] = {}
        self._peaks: dict[int, tuple[int, float]] = {}
        self._order = JointOrder()
        self._ordered_s = -1e9
        self._buses: tuple[BusFacts, ...] = ()
        self._events: Sequence[Event] = ()
        self._lost: frozenset[int | None] = frozenset()
        self._missing: tuple[str, ...] = ()
        self._latest: dict[str, LatestValues] = {}
        self._slow: dict[str, SlowValues] = {}
        self._clock = PresentClock()
        self._serial = 0
        self.snapshot = _empty_snapshot()

    @contextmanager
    def follow(self) -> Iterator[asyncio.Event]:
        """Follow while this context is open; to be entered in the event loop.

        Yields an event that is set at each new snapshot.
        """
        news = asyncio.Event()
        self._watchers.add(news)
        if self._task is None or self._task.done():
            self.snapshot = _empty_snapshot()
            # Nothing that was known before this page is taken for young.
            self._searched_s = self._measured_s = -1e9
            self._trends = {}
            self._task = asyncio.create_task(self._run())
        try:
            yield news
        finally:
            self._watchers.discard(news)

    async def _run(self) -> None:
        failures = 0
        while self._watchers:
            begun_s = time.monotonic()
            try:
                self.snapshot = await asyncio.to_thread(self._prepare_snapshot)
                failures = 0
            except (DutytraceError, OSError) as fault:
                log.warning("the live recording could not be read: %s", fault)
                failures += 1
                # A file that is just being replaced is read the next time.
                if failures >= FAILURES_UNTIL_REPORT:
                    self.snapshot = replace(self.snapshot, serial=self._serial, fault=str(fault))
                await asyncio.sleep(0.5)
            for news in self._watchers:
                news.set()
            await asyncio.sleep(max(0.01, UPDATE_PERIOD_S - (time.monotonic() - begun_s)))
        # Nobody looks: what was made for pages is let go.
        self._prepare(_empty_snapshot())

    def _prepare_snapshot(self) -> Snapshot:
        snapshot = self._take_snapshot()
        self._prepare(snapshot)
        return snapshot

    def _take_snapshot(self) -> Snapshot:
        self._serial += 1
        at_s = time.monotonic()
        if at_s - self._searched_s > SEARCH_PERIOD_S:
            self._searched_s = at_s
            name = self._cache.newest_recorded(self._name)
            if name is not None and name != self._name:
                self._name, self._latest, self._slow = name, {}, {}
                self._clock = PresentClock()
                self._measured_s = self._ordered_s = -1e9
                self._trends = {}
                self._peaks, self._order, self._buses = {}, JointOrder(), ()
        if self._name is None:
            return replace(_empty_snapshot(), serial=self._serial)
        recording = self._cache.open_recording(self._name)
        end_ns = recording.end_ns
        for joint in recording.joints:
            self._latest[joint] = latest_values(recording, joint, self._latest.get(joint), end_ns)
        self._update_slow_values(recording, end_ns, at_s)
        newest_ns = max((item.time_ns for item in self._latest.values()), default=end_ns)
        clock_ns = self._clock.present_ns(newest_ns, steady_s=at_s, wall_ns=time.time_ns())
        present_ns = max(end_ns, clock_ns)
        if at_s - self._ordered_s > ORDER_PERIOD_S:
            self._ordered_s = at_s
            self._order = self._next_order(recording, present_ns, at_s)
        fresh = recording.live and present_ns - newest_ns < FRESH_VALUES_NS
        return Snapshot(
            serial=self._serial,
            recording=recording,
            now_ns=max(end_ns, newest_ns) if fresh else present_ns,
            present_ns=present_ns,
            latest=dict(self._latest),
            slow=dict(self._slow),
            peaks={number: peak for number, (_, peak) in self._peaks.items()},
            order=self._order,
            buses=self._buses,
            missing=self._missing,
        )

    def _next_order(self, recording: Recording, now_ns: int, at_s: float) -> JointOrder:
        alerts = recording.read_alerts()
        is_live = recording.live
        facts = [
            joint_facts(
                recording,
                joint,
                latest=self._latest.get(joint),
                slow=self._slow.get(joint),
                alerts=alerts,
                now_ns=now_ns,
                is_live=is_live,
            )
            for joint in joints_of(recording)
        ]
        return next_order(self._order, [one.urgency for one in facts], at_s)

    def _update_slow_values(self, recording: Recording, end_ns: int, at_s: float) -> None:
        """Update the values that change slowly, each at its own period."""
        if at_s - self._measured_s > SLOW_PERIOD_S:
            self._measured_s = at_s
            self._update_trends(recording, end_ns)
            self._slow = {
                joint: SlowValues(
                    rms_torque_Nm=recording.rms_torque_Nm(joint),
                    temperature_trend=self._trends.get(joint),
                    forecast=newest_forecast(recording, joint),
                )
                for joint in recording.joints
            }
            self._update_buses(recording)
            if self._trend_turn == 0:
                self._missing = recording.describe_missing(most_opened=_PARTS_A_LOOK)
            self._peaks = {
                alert.number: (
                    max(end_ns - MAX_LATENESS_NS, alert.raised_ns),
                    alert_peak(recording, alert, end_ns, previous=self._peaks.get(alert.number)),
                )
                for alert in recording.read_alerts()
                if alert.is_open(end_ns)
            }

    def _update_buses(self, recording: Recording) -> None:
        if len(recording.bench.buses) < 2:
            return
        events = recording.read_events()
        if events is not self._events:
            self._events, self._lost = events, lost_buses(recording)
        self._buses = read_bus_facts(recording, self._lost)

    def _update_trends(self, recording: Recording, end_ns: int) -> None:
        """Look at the trends of some of the joints; at first at those of all."""
        if not self._trends:
            self._trend_turn, joints = 0, recording.joints
        else:
            self._trend_turn = (self._trend_turn + 1) % TREND_SHARES
            joints = recording.joints[self._trend_turn :: TREND_SHARES]
        for joint in joints:
            self._trends[joint] = _temperature_trend(recording, joint, end_ns)


def _empty_snapshot() -> Snapshot:
    at_ns = time.time_ns()
    return Snapshot(serial=0, recording=None, now_ns=at_ns, present_ns=at_ns, latest={}, slow={})


def _temperature_trend(recording: Recording, joint: str, end_ns: int) -> RecentTrend | None:
    """Return the trend of a joint's main temperature, None if it has none."""
    channel = watched_temperature(recording, joint)
    return None if channel is None else temperature_trend(recording, joint, channel, end_ns)


def latest_values(
    recording: Recording, joint: str, previous: LatestValues | None, end_ns: int
) -> LatestValues:
    """Return the newest values of a joint, given the previous ones.

    Of a joint that has been silent since before anybody looked they are the last that it said.
    """
    newest_row_ns = min(recording.newest_ns(joint) or end_ns, end_ns)
    since_ns = newest_row_ns - FIRST_LOOK_NS if previous is None else previous.time_ns + 1
    batch = recording.read_readings(joint, since_ns, end_ns + 1, lead_in=previous is None)
    values = dict(previous.values) if previous else {}
    for channel in batch.columns:
        value_rows = np.flatnonzero(~np.isnan(batch.columns[channel]))
        if len(value_rows):
            row = value_rows[-1]
            values[channel] = (int(batch.time_ns[row]), float(batch.columns[channel][row]))
    newest_ns = int(batch.time_ns[-1]) if len(batch) else (previous.time_ns if previous else 0)
    return LatestValues(time_ns=newest_ns, values=values)
