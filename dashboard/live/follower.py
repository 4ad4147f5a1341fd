"""Follows the newest recording that is being written, once for all open pages.

While anybody watches, one task refreshes the recording eight times a second and publishes a
`Moment`: the recording, its present, what was last heard of each joint. Nobody watching costs
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

from dashboard.live.status import Latest, Slow, temperature_trend
from dashboard.server.recording_cache import Shelf
from logger.errors import DutytraceError
from logger.joint.thermal_model import Trend
from replay.excursions.alert_peaks import peak_by_now
from replay.recording import Recording

__all__ = ["Follower", "Moment"]

log = logging.getLogger(__name__)

PERIOD_S: Final = 1 / 8
"""One picture takes a browser 45 ms of a core: three tabs beside a logger are to fit in two."""
LOOK_S: Final = 1.0
"""How often the folder is searched for a newer live recording."""
SLOW_S: Final = 1.0
SLOWER_S: Final = 5.0
"""A trend over four minutes is hardly another within this."""
LATE_NS: Final = 1_000_000_000
"""Rows of one joint may come so much later than those of another."""
YOUNG_S: Final = 1.0
OLDEST_S: Final = 400 * 86400.0
FRESH_NS: Final = 700_000_000
"""While values are no older than this, the picture ends at the newest and not at the clock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What is known right now. `recording` is None while nothing is or was being recorded."""

    serial: int
    """0: nothing is known yet."""
    recording: Recording | None
    now_ns: int
    """Where the picture ends: at the newest value, or at the present when nothing comes."""
    present_ns: int
    """The present on the recording's clock, from which ages are counted."""
    latest: dict[str, Latest]
    slow: dict[str, Slow]
    peaks: dict[int, float] = field(default_factory=dict)
    """Number of an open alert -> the furthest value that it has reached by now."""
    missing: tuple[str, ...] = ()
    """What is known to be missing of the recording, in sentences."""


class Follower:
    """Publishes moments; one instance serves every page."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._watchers: set[asyncio.Event] = set()
        self._task: asyncio.Task[None] | None = None
        self._name: str | None = None
        self._looked_s = -1e9
        self._measured_s = self._trend_s = -1e9
        self._trends: dict[str, Trend | None] = {}
        self._peaks: dict[int, tuple[int, float]] = {}
        self._missing: tuple[str, ...] = ()
        self._latest: dict[str, Latest] = {}
        self._slow: dict[str, Slow] = {}
        self._heard: tuple[int, float] | None = None
        self._serial = 0
        self.moment = _unknown()

    @contextmanager
    def watched(self) -> Iterator[asyncio.Event]:
        """Keep following while this context is open; call it in the event loop.

        Gives what is set at each new moment.
        """
        news = asyncio.Event()
        self._watchers.add(news)
        if self._task is None or self._task.done():
            self.moment = _unknown()
            self._task = asyncio.create_task(self._follow())
        try:
            yield news
        finally:
            self._watchers.discard(news)

    async def _follow(self) -> None:
        while self._watchers:
            begun_s = time.monotonic()
            try:
                self.moment = await asyncio.to_thread(self._step)
                for news in self._watchers:
                    news.set()
            except (DutytraceError, OSError) as fault:
                log.warning("the live recording could not be read: %s", fault)
                await asyncio.sleep(0.5)
            await asyncio.sleep(max(0.01, PERIOD_S - (time.monotonic() - begun_s)))

    def _step(self) -> Moment:
        self._serial += 1
        at_s = time.monotonic()
        if at_s - self._looked_s > LOOK_S:
            self._looked_s = at_s
            name = self._shelf.newest_live()
            if name is not None and name != self._name:
                self._name, self._latest, self._slow, self._heard = name, {}, {}, None
                self._measured_s = self._trend_s = -1e9
                self._peaks = {}
        if self._name is None:
            return replace(_unknown(), serial=self._serial)
        recording = self._shelf.open(self._name)
        end_ns = recording.end_ns
        for joint in recording.joints:
            self._latest[joint] = newest_of(recording, joint, self._latest.get(joint), end_ns)
        self._measure(recording, end_ns, at_s)
        heard_ns = max((item.time_ns for item in self._latest.values()), default=end_ns)
        present_ns = max(end_ns, self._present(heard_ns, at_s))
        fresh = recording.live and present_ns - heard_ns < FRESH_NS
        return Moment(
            serial=self._serial,
            recording=recording,
            now_ns=max(end_ns, heard_ns) if fresh else present_ns,
            present_ns=present_ns,
            latest=dict(self._latest),
            slow=dict(self._slow),
            peaks={number: worst for number, (_, worst) in self._peaks.items()},
            missing=self._missing,
        )

    def _measure(self, recording: Recording, end_ns: int, at_s: float) -> None:
        """Look again at what changes slowly, each at its own pace."""
        if at_s - self._trend_s > SLOWER_S:
            self._trend_s = at_s
            self._trends = {
                joint: temperature_trend(recording, joint, end_ns) for joint in recording.joints
            }
            self._missing = recording.missing()
        if at_s - self._measured_s > SLOW_S:
            self._measured_s = at_s
            self._slow = {
                joint: Slow(
                    rms_torque_Nm=recording.rms_torque_Nm(joint),
                    temperature_trend=self._trends.get(joint),
                )
                for joint in recording.joints
            }
            self._peaks = {
                alert.number: (
                    max(end_ns - LATE_NS, alert.raised_ns),
                    peak_by_now(recording, alert, end_ns, before=self._peaks.get(alert.number)),
                )
                for alert in recording.alerts()
                if alert.open(end_ns)
            }

    def _present(self, heard_ns: int, at_s: float) -> int:
        """Return the present on the recording's clock, given the newest row and a steady clock."""
        age_s = max((time.time_ns() - heard_ns) / 1e9, 0.0)
        if self._heard is None:
            # Of what came before anybody watched only the wall clock can tell the age.
            self._heard = heard_ns, at_s - min(age_s, OLDEST_S)
        elif heard_ns > self._heard[0]:
            # What just came is young; a wall clock that says otherwise was set meanwhile.
            self._heard = heard_ns, at_s - (age_s if age_s < YOUNG_S else 0.0)
        return heard_ns + round((at_s - self._heard[1]) * 1e9)


def _unknown() -> Moment:
    at_ns = time.time_ns()
    return Moment(serial=0, recording=None, now_ns=at_ns, present_ns=at_ns, latest={}, slow={})


def newest_of(recording: Recording, joint: str, known: Latest | None, end_ns: int) -> Latest:
    """Return what was last heard of a joint, given what was known before."""
    since = end_ns - 10_000_000_000 if known is None else known.time_ns + 1
    batch = recording.readings(joint, since, end_ns + 1, lead_in=known is None)
    values = dict(known.values) if known else {}
    for channel in batch.columns:
        held = np.flatnonzero(~np.isnan(batch.columns[channel]))
        if len(held):
            row = held[-1]
            values[channel] = (int(batch.time_ns[row]), float(batch.columns[channel][row]))
    seen = int(batch.time_ns[-1]) if len(batch) else (known.time_ns if known else 0)
    return Latest(time_ns=seen, values=values)
