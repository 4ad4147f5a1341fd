"""Whether the disk lasts for a whole plan: told at the start, and whenever that changes.

After the first parts, of a few seconds, between which bounds the plan's need lies; with the rate of
some minutes, or at once with that of before where a recording is resumed, how much it is.
"""

import math
from dataclasses import dataclass
from typing import Final

from logger.arrays import to_ns, to_s
from logger.campaign.plan_outlook import PlanOutlook
from logger.event_kind import EventKind
from logger.recording.campaign_rows import CampaignRows
from logger.recording.campaign_words import span_words
from logger.recording.event_log import EventLog
from logger.store.layout.manifest import iso_utc
from logger.store.writing.disk_forecast import DiskForecast, DiskGrowth, disk_growth, first_growth
from logger.store.writing.flush_policy import FlushPolicy

__all__ = ["PlanDisk"]

_LOOK_NS: Final = 60 * 10**9
_FIRST_LOOK_NS: Final = 5 * 10**9
"""The same while nothing is known yet."""
_BETTER_AFTER_NS: Final = 6 * 3600 * 10**9
"""That the disk lasts after all is told only then: a rate that sways is told of once."""
_GB: Final = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class _Verdict:
    """How a forecast compares with the free space, worse ones greater."""

    badness: int
    words: str


_LASTS: Final = _Verdict(badness=0, words="it lasts for the plan")
_MAY_END: Final = _Verdict(badness=1, words="it may not last for the plan")
_TOO_EARLY: Final = _Verdict(badness=0, words="it is too early to say whether it lasts")
_ENDS: Final = _Verdict(badness=2, words="it does not last for the plan")


class PlanDisk:
    """Forecasts the disk over what is left of a plan; for the writing thread."""

    def __init__(
        self, campaign: CampaignRows, forecast: DiskForecast, events: EventLog, *, began_ns: int
    ) -> None:
        """Begin; `began_ns`: since when raw frames are there."""
        self._campaign, self._forecast, self._events = campaign, forecast, events
        self._keep = campaign.plan.keep
        self._began_ns = began_ns
        self._next_ns = self._emitted_ns = 0
        self._emitted: _Verdict | None = None
        """The newest by the rate of some minutes."""
        self._has_emitted_bounds = False

    def do_due(self, time_ns: int) -> None:
        """Look once a minute, and emit what is new; `time_ns`: the recording's time."""
        if time_ns < self._next_ns:
            return
        self._next_ns = time_ns + (_FIRST_LOOK_NS if self._emitted is None else _LOOK_NS)
        free, outlook = self._forecast.free_bytes, self._campaign.plan_outlook
        samples = self._forecast.samples
        if not outlook.left_s or free is None or not samples:
            return
        frame_span_s = self._frame_span_s(time_ns, outlook.left_s)
        growth = disk_growth(samples, span_s=outlook.left_s, frame_span_s=frame_span_s)
        if growth is None:
            if not self._has_emitted_bounds:
                self._has_emitted_bounds = True
                bounds = first_growth(
                    samples[0],
                    span_s=outlook.left_s,
                    frame_span_s=frame_span_s,
                    longest_part_s=FlushPolicy().max_part_s,
                )
                verdict = (
                    _ENDS if bounds.low > free else _TOO_EARLY if bounds.high > free else _LASTS
                )
                self._emit(verdict, bounds, free, outlook, time_ns)
            return
        verdict = _ENDS if growth.low > free else _MAY_END if growth.high > free else _LASTS
        if self._emitted is not None:
            change = verdict.badness - self._emitted.badness
            if not change or (change < 0 and time_ns < self._emitted_ns + _BETTER_AFTER_NS):
                return
        self._emitted, self._emitted_ns = verdict, time_ns
        self._emit(verdict, growth, free, outlook, time_ns)

    def _frame_span_s(self, time_ns: int, left_s: float) -> float:
        """Return for how long raw frames add to the disk: until as many are let go as come."""
        if self._keep is None:
            return left_s
        kept_s = self._keep.frames_days * 86_400.0
        return min(left_s, max(kept_s - to_s(time_ns - self._began_ns), 0.0))

    def _emit(
        self, verdict: _Verdict, growth: DiskGrowth, free: int, outlook: PlanOutlook, time_ns: int
    ) -> None:
        at_least = ""
        if outlook.open_stages:
            stages = "stage" if outlook.open_stages == 1 else "stages"
            at_least = f" at least, without {outlook.open_stages} {stages} of unknown length"
        advice = ""
        if verdict.badness and growth.high > 0.0:
            # By the mean rate over what is left: a little late where raw frames are let go.
            full_s = outlook.left_s * free / growth.bytes if growth.bytes > 0.0 else math.nan
            advice = (
                f"; full about {iso_utc(time_ns + to_ns(full_s))}. Free some room"
                if full_s < outlook.left_s
                else ". Free some room"
            )
            advice += (
                ", or have the plan let go of old raw frames (keep)" if self._keep is None else ""
            )
        self._events.emit(
            EventKind.DISK_SHORT if verdict.badness else EventKind.DISK_FORECAST,
            time_ns=time_ns,
            value=growth.bytes / free if free else math.inf,
            duration_s=outlook.left_s,
            text=f"Disk: the plan still takes {span_words(outlook.left_s)}{at_least}, and "
            f"{_room_words(growth)}; {free / _GB:.3g} GB are free: {verdict.words}{advice}.",
        )


def _room_words(growth: DiskGrowth) -> str:
    """Return the room that is needed in words, and on what that rests."""
    low, high = f"{growth.low / _GB:.3g}", f"{growth.high / _GB:.3g}"
    if math.isnan(growth.bytes):
        return f"between {low} and {high} GB, as far as the first seconds tell"
    return f"{growth.bytes / _GB:.3g} GB ({low} to {high}) at the rate of so far"
