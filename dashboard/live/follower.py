"""Follows the newest recording that is being written, once for all open pages.

While anybody watches, one task refreshes the recording eight times a second and publishes a
`Snapshot`: the recording, its present, what was last heard of each joint. Nobody watching costs
nothing, and who comes back is told nothing from before. Reads disk in a worker thread, never in the
event loop. How long ago something was heard is counted on this machine's steady clock from when it
came: a wall clock that is set meanwhile makes nothing old.
"""

import asyncio
import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from dashboard.live.status import LatestValues, SlowValues, read_temperature_trend
from dashboard.server.recording_cache import RecordingCache
from logger.errors import DutytraceError
from logger.joint.thermal_model import Trend
from replay.excursions.alert_peaks import alert_peak
from replay.recording import Recording

__all__ = ["Follower", "Snapshot"]

log = logging.getLogger(__name__)

UPDATE_PERIOD_S: Final = 1 / 8
"""One picture takes a browser 45 ms of a core: three tabs beside a logger are to fit in two."""
SEARCH_PERIOD_S: Final = 1.0
"""How often the folder is searched for a newer live recording."""
SLOW_PERIOD_S: Final = 1.0
TREND_PERIOD_S: Final = 5.0
"""A trend over four minutes is hardly another within this."""
MAX_LATENESS_NS: Final = 1_000_000_000
"""Rows of one joint may come so much later than those of another."""
FRESH_ROW_S: Final = 1.0
MAX_AGE_S: Final = 400 * 86400.0
FRESH_VALUES_NS: Final = 700_000_000
"""While values are no older than this, the picture ends at the newest and not at the clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """What is known right now. `recording` is None while nothing is or was being recorded."""

    serial: int
    """0: nothing is known yet."""
    recording: Recording | None
    now_ns: int
    """Where the picture ends: at the newest value, or at the present when nothing comes."""
    present_ns: int
    """The present on the recording's clock, from which ages are counted."""
    latest: dict[str, LatestValues]
    slow: dict[str, SlowValues]
    peaks: dict[int, float] = field(default_factory=dict)
    """Number of an open alert -> the furthest value that it has reached by now."""
    missing: tuple[str, ...] = ()
    """What is known to be missing of the recording, in sentences."""


class Follower:
    """Publishes moments; one instance serves every page."""

    def __init__(self, cache: RecordingCache) -> None:
        self._cache = cache
        self._watchers: set[asyncio.Event] = set()
        self._task: asyncio.Task[None] | None = None
        self._name: str | None = None
        self._searched_s = -1e9
        self._measured_s = self._trend_s = -1e9
        self._trends: dict[str, Trend | None] = {}
        self._peaks: dict[int, tuple[int, float]] = {}
        self._missing: tuple[str, ...] = ()
        self._latest: dict[str, LatestValues] = {}
        self._slow: dict[str, SlowValues] = {}
        self._newest_row: tuple[int, float] | None = None
        self._serial = 0
        self.snapshot = _empty_snapshot()

    @contextmanager
    def follow(self) -> Iterator[asyncio.Event]:
        """Keep following while this context is open; call it in the event loop.

        Gives what is set at each new moment.
        """
        news = asyncio.Event()
        self._watchers.add(news)
        if self._task is None or self._task.done():
            self.snapshot = _empty_snapshot()
            self._task = asyncio.create_task(self._run())
        try:
            yield news
        finally:
            self._watchers.discard(news)

    async def _run(self) -> None:
        while self._watchers:
            begun_s = time.monotonic()
            try:
                self.snapshot = await asyncio.to_thread(self._take_snapshot)
                for news in self._watchers:
                    news.set()
            except (DutytraceError, OSError) as fault:
                log.warning("the live recording could not be read: %s", fault)
                await asyncio.sleep(0.5)
            await asyncio.sleep(max(0.01, UPDATE_PERIOD_S - (time.monotonic() - begun_s)))

    def _take_snapshot(self) -> Snapshot:
        self._serial += 1
        at_s = time.monotonic()
        if at_s - self._searched_s > SEARCH_PERIOD_S:
            self._searched_s = at_s
            name = self._cache.newest_live()
            if name is not None and name != self._name:
                self._name, self._latest, self._slow, self._newest_row = name, {}, {}, None
                self._measured_s = self._trend_s = -1e9
                self._peaks = {}
        if self._name is None:
            return replace(_empty_snapshot(), serial=self._serial)
        recording = self._cache.open_recording(self._name)
        end_ns = recording.end_ns
        for joint in recording.joints:
            self._latest[joint] = latest_values(recording, joint, self._latest.get(joint), end_ns)
        self._update_slow_values(recording, end_ns, at_s)
        newest_ns = max((item.time_ns for item in self._latest.values()), default=end_ns)
        present_ns = max(end_ns, self._present_ns(newest_ns, at_s))
        fresh = recording.live and present_ns - newest_ns < FRESH_VALUES_NS
        return Snapshot(
            serial=self._serial,
            recording=recording,
            now_ns=max(end_ns, newest_ns) if fresh else present_ns,
            present_ns=present_ns,
            latest=dict(self._latest),
            slow=dict(self._slow),
            peaks={number: peak for number, (_, peak) in self._peaks.items()},
            missing=self._missing,
        )

    def _update_slow_values(self, recording: Recording, end_ns: int, at_s: float) -> None:
        """Look again at what changes slowly, each at its own pace."""
        if at_s - self._trend_s > TREND_PERIOD_S:
            self._trend_s = at_s
            self._trends = {
                joint: read_temperature_trend(recording, joint, end_ns)
                for joint in recording.joints
            }
            self._missing = recording.describe_missing()
        if at_s - self._measured_s > SLOW_PERIOD_S:
            self._measured_s = at_s
            self._slow = {
                joint: SlowValues(
                    rms_torque_Nm=recording.rms_torque_Nm(joint),
                    temperature_trend=self._trends.get(joint),
                )
                for joint in recording.joints
            }
            self._peaks = {
                alert.number: (
                    max(end_ns - MAX_LATENESS_NS, alert.raised_ns),
                    alert_peak(recording, alert, end_ns, previous=self._peaks.get(alert.number)),
                )
                for alert in recording.read_alerts()
                if alert.is_open(end_ns)
            }

    def _present_ns(self, newest_ns: int, at_s: float) -> int:
        """Return the present on the recording's clock, given the newest row and a steady clock."""
        age_s = max((time.time_ns() - newest_ns) / 1e9, 0.0)
        if self._newest_row is None:
            # Of what came before anybody watched only the wall clock can tell the age.
            self._newest_row = newest_ns, at_s - min(age_s, MAX_AGE_S)
        elif newest_ns > self._newest_row[0]:
            # What just came is young; a wall clock that says otherwise was set meanwhile.
            self._newest_row = newest_ns, at_s - (age_s if age_s < FRESH_ROW_S else 0.0)
        return newest_ns + round((at_s - self._newest_row[1]) * 1e9)


def _empty_snapshot() -> Snapshot:
    at_ns = time.time_ns()
    return Snapshot(serial=0, recording=None, now_ns=at_ns, present_ns=at_ns, latest={}, slow={})


def latest_values(
    recording: Recording, joint: str, previous: LatestValues | None, end_ns: int
) -> LatestValues:
    """Return what was last heard of a joint, given what was known before."""
    since_ns = end_ns - 10_000_000_000 if previous is None else previous.time_ns + 1
    batch = recording.read_readings(joint, since_ns, end_ns + 1, lead_in=previous is None)
    values = dict(previous.values) if previous else {}
    for channel in batch.columns:
        value_rows = np.flatnonzero(~np.isnan(batch.columns[channel]))
        if len(value_rows):
            row = value_rows[-1]
            values[channel] = (int(batch.time_ns[row]), float(batch.columns[channel][row]))
    newest_ns = int(batch.time_ns[-1]) if len(batch) else (previous.time_ns if previous else 0)
    return LatestValues(time_ns=newest_ns, values=values)
