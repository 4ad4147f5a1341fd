"""What happened on each day of a campaign, and the stages that it went through."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from logger.arrays import TIME_MAX_NS, Ints
from logger.campaign.plan_settings import PlanSettings
from logger.campaign.stage_progress import DAY_NS
from logger.event_kind import EventKind
from replay.campaign.campaign_cycles import CampaignCycles
from replay.recording import Recording

__all__ = ["HOTTEST_FIGURE", "CampaignDay", "StageSpan", "campaign_days", "stage_spans"]

_MINUTE_NS: Final = 60_000_000_000
HOTTEST_FIGURE: Final = "peak_temperature_degC"
BROWN_OUT: Final = 0.8
"""Share of the usual voltage, below which a minute of the supply counts as a brown-out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignDay:
    """One day, counted from the campaign's beginning."""

    day: int
    """From 1."""
    start_ns: int
    cycles: int
    broken: int
    """Of the cycles, those that did not run through."""
    faults: int
    """That the joint reported."""
    resets: int
    """Turns of its encoder that were lost: it was off, or restarted."""
    brown_outs: int
    """Stretches of minutes in which its supply was below 0.8 of its usual voltage."""
    trips: int
    hottest_degC: float  # noqa: N815
    """Peak of its cycles; NaN where none is known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageSpan:
    """A stage of the plan: when it was on, and how far it is."""

    stage: str
    index: int
    start_ns: int
    end_ns: int | None
    """None: it is on. One that was on when a recording ended that others follow, ended with it."""
    cycles: int
    share: float
    """Of a stage that is on, how much of it is done; NaN where that cannot be told."""
    expected_ns: int | None


def campaign_days(
    recordings: Sequence[Recording], joint: str, cycles: CampaignCycles, start_ns: int, end_ns: int
) -> tuple[CampaignDay, ...]:
    """Return each day from an instant until the end; what was before it is not counted."""
    count = max(math.ceil((end_ns - start_ns) / DAY_NS), 1)
    kinds = {EventKind.FAULT: 0, EventKind.POSITION_LOST: 1, EventKind.RAISED: 2}
    counted = np.zeros((count, 3), np.int64)
    recordings = [one for one in recordings if one.end_ns >= start_ns]
    for recording in recordings:
        for event in recording.read_events():
            column = kinds.get(event.kind)
            if column is None or event.joint != joint:
                continue
            is_counted = {0: event.whole_value != 0, 1: True, 2: event.severity == "trip"}[column]
            day = (event.time_ns - start_ns) // DAY_NS
            if is_counted and 0 <= day < count:
                counted[day, column] += 1
    table = cycles.table
    # They are in order of time; one that ends with a day belongs to it, one after all to the last.
    edges_ns = start_ns + np.arange(count + 1) * DAY_NS
    edges_ns[-1] = TIME_MAX_NS
    places = np.searchsorted(table.end_ns, edges_ns, side="right").tolist()
    is_whole, peaks = cycles.is_whole, table.figures.get(HOTTEST_FIGURE)
    all_cycles, whole, hottest = [], [], []
    for first, end in pairwise(places):
        all_cycles.append(end - first)
        whole.append(int(np.count_nonzero(is_whole[first:end])))
        known = () if peaks is None else peaks[first:end][np.isfinite(peaks[first:end])]
        hottest.append(float(np.max(known)) if len(known) else math.nan)
    sags = _brown_outs(recordings, joint, start_ns, count)
    return tuple(
        CampaignDay(
            day=day + 1,
            start_ns=start_ns + day * DAY_NS,
            cycles=all_cycles[day],
            broken=all_cycles[day] - whole[day],
            faults=int(counted[day, 0]),
            resets=int(counted[day, 1]),
            brown_outs=int(sags[day]),
            trips=int(counted[day, 2]),
            hottest_degC=hottest[day],
        )
        for day in range(count)
    )


def _brown_outs(recordings: Sequence[Recording], joint: str, start_ns: int, count: int) -> Ints:
    """Return how often the supply sagged on each day."""
    sags = np.zeros(count, np.int64)
    for one in recordings:
        if "voltage_V" not in one.channels(joint):
            continue
        begin_ns = one.start_ns // _MINUTE_NS * _MINUTE_NS
        end_ns = -(-one.end_ns // _MINUTE_NS) * _MINUTE_NS
        minutes = one.read_buckets(joint, "voltage_V", begin_ns, end_ns, width_ns=_MINUTE_NS)
        if not len(minutes):
            continue
        is_low = minutes.minimum < BROWN_OUT * float(np.median(minutes.mean))
        begins = is_low & ~np.concatenate([[False], is_low[:-1]])
        # The minute that an instant lies in counts as before it.
        at_ns = minutes.start_ns[begins]
        days = np.minimum((at_ns[at_ns >= start_ns] - start_ns) // DAY_NS, count - 1)
        sags += np.bincount(days, minlength=count)
    return sags


def stage_spans(
    recordings: Sequence[Recording], plan: PlanSettings | None, cycles: CampaignCycles
) -> tuple[StageSpan, ...]:
    """Return the stages that were on, in order; a second recording may begin with the first."""
    spans: list[StageSpan] = []
    names = [stage.name for stage in plan.stage] if plan else []
    for number, recording in enumerate(recordings, start=1):
        is_last = number == len(recordings)
        begun: tuple[str, int] | None = None
        for event in recording.read_events():
            if event.kind == EventKind.STAGE_BEGUN:
                begun = event.stage, event.time_ns
            elif event.kind == EventKind.STAGE_ENDED and begun is not None:
                spans.append(
                    _day_span(names, *begun, end_ns=event.time_ns, cycles=event.whole_value)
                )
                begun = None
        if begun is None:
            continue
        row = recording.newest_row("progress") or {}
        share, expected = row.get("share"), row.get("expected")
        # They are in order of time.
        before, ended = np.searchsorted(
            cycles.table.end_ns, [begun[1], recording.end_ns], side="right"
        ).tolist()
        spans.append(
            StageSpan(
                stage=begun[0],
                index=names.index(begun[0]) if begun[0] in names else 0,
                start_ns=begun[1],
                end_ns=None if is_last else recording.end_ns,
                cycles=max(ended - before, 0),
                share=float(str(share)) if share is not None else math.nan,
                expected_ns=int(str(expected)) if is_last and expected is not None else None,
            )
        )
    return tuple(spans)


def _day_span(
    names: Sequence[str], stage: str, start_ns: int, *, end_ns: int, cycles: int
) -> StageSpan:
    return StageSpan(
        stage=stage,
        index=names.index(stage) if stage in names else 0,
        start_ns=start_ns,
        end_ns=end_ns,
        cycles=cycles,
        share=1.0,
        expected_ns=None,
    )
