"""Where a plan that was followed goes on after a restart, read back from the recording."""

from dataclasses import replace
from typing import Any, Final

import numpy as np

from logger.campaign.cycle_finder import CycleFinder
from logger.campaign.cycle_kind import LONGEST_LOOK_BACK_NS
from logger.campaign.cycle_plan import CyclePlan
from logger.campaign.cycle_rule import CycleRule
from logger.campaign.joint_cycles import joint_cycle_plan
from logger.campaign.plan import plan_joint
from logger.campaign.plan_settings import PlanSettings
from logger.campaign.recording_breaks import RecordingBreaks
from logger.campaign.stage_progress import DAY_NS, CampaignState
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.recording.campaign_start import CampaignStart
from logger.store.layout.events import Event, recording_breaks
from logger.store.layout.files import cycle_rules_stream, cycles_stream, status_stream
from logger.store.reading.reader import RecordingReader
from logger.time_chunks import time_chunks

__all__ = ["recorded_campaign"]

_HOUR_NS: Final = 3_600_000_000_000
FED_AGAIN_NS: Final = 6 * _HOUR_NS
"""Readings since the newest cycle that are fed again; a cycle that has been open for longer (a stop
over a night) is recorded as one with a gap."""
_LEARNED_AGAIN_NS: Final = _HOUR_NS
"""The same where no cycle was found yet."""
_RECENT: Final = 64


def recorded_campaign(reader: RecordingReader) -> CampaignStart | None:
    """Return where the plan of a recording goes on; None where it follows none."""
    plan = reader.manifest.read_plan(str(reader.path))
    if plan is None:
        return None
    joint = plan_joint(plan, reader.bench, "the plan").name
    cycles = _newest_cycles(reader, joint)
    state = _state(reader, plan, cycles)
    cycle_plan = joint_cycle_plan(reader.bench, joint, plan.cycle)
    span = reader.span_ns(status_stream(joint))
    if cycle_plan is None or span is None:
        return CampaignStart(state=state)
    events = reader.read_events()
    breaks = RecordingBreaks.of(recording_breaks(events, bus=reader.bench.bus_of_joint(joint)))
    finder = CycleFinder(breaks=breaks)
    begin_ns = max(span[0], span[1] - _LEARNED_AGAIN_NS)
    if cycles:
        finder = _finder(reader, joint, cycle_plan, cycles, breaks)
        begin_ns = max(cycles[-1]["time"], span[1] - FED_AGAIN_NS)
    readings = tuple(
        rows
        for first_ns, until_ns in time_chunks(begin_ns, span[1] + 1)
        if len(rows := _readings(reader, joint, first_ns, until_ns))
    )
    note = plan.cycle.note if plan.cycle else None
    marks = [
        event.time_ns
        for event in events
        if event.kind == EventKind.NOTE and event.text == note and event.time_ns > begin_ns
    ]
    return CampaignStart(
        state=state, finder=finder, readings=readings, marks_ns=tuple(sorted(marks))
    )


def _readings(reader: RecordingReader, joint: str, start_ns: int, end_ns: int) -> ReadingBatch:
    channels = reader.bench.channels_of(reader.bench.joint_named(joint))
    return reader.read_readings(joint, start_ns=start_ns, end_ns=end_ns, channels=channels)


def _newest_cycles(reader: RecordingReader, joint: str) -> list[dict[str, Any]]:
    """Return the newest rows of its cycles in order, times in ns."""
    stream = cycles_stream(joint)
    span = reader.span_ns(stream)
    if span is None:
        return []
    back_ns = _HOUR_NS
    while True:
        table = reader.read_rows(
            stream,
            start_ns=span[1] - back_ns,
            end_ns=span[1] + 1,
            columns=["time", "start", "cycle"],
        )
        if table.num_rows >= _RECENT or span[1] - back_ns <= span[0]:
            table = table.slice(max(table.num_rows - _RECENT, 0))
            columns = {name: table[name].cast("int64").to_pylist() for name in table.column_names}
            return [
                dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)
            ]
        back_ns *= 4


def _finder(
    reader: RecordingReader,
    joint: str,
    plan: CyclePlan,
    cycles: list[dict[str, Any]],
    breaks: RecordingBreaks,
) -> CycleFinder:
    newest = cycles[-1]
    rule, learned_ns = _rule(reader, joint, newest["cycle"])
    end_ns = newest["time"]
    before_ns = max(LONGEST_LOOK_BACK_NS, *plan.hold_ns.values())
    return CycleFinder.after_cycle(
        plan,
        number=newest["cycle"],
        end_ns=end_ns,
        durations_s=tuple((one["time"] - one["start"]) / 1e9 for one in cycles),
        rule=rule,
        learned_ns=learned_ns,
        before=_readings(reader, joint, end_ns - before_ns, end_ns + 1),
        breaks=breaks.after(end_ns - before_ns),
    )


def _rule(reader: RecordingReader, joint: str, cycle: int) -> tuple[CycleRule | None, int]:
    """Return the rule by which a cycle was counted, and until when it was learned."""
    stream = cycle_rules_stream(joint)
    span = reader.span_ns(stream)
    if span is None:
        return None, 0
    table = reader.read_rows(stream, start_ns=span[0], end_ns=span[1] + 1)
    learned = table["learned"].cast("int64").to_pylist()
    rows = [
        (row, at)
        for row, at in zip(
            table.drop_columns(["time", "learned"]).to_pylist(), learned, strict=True
        )
        if row["first_cycle"] <= cycle
    ]
    if not rows:
        return None, 0
    row, learned_ns = rows[-1]
    rule = CycleRule(
        channel=row["channel"], low=row["low"], high=row["high"], typical_s=row["typical_s"]
    )
    for name in ("lowest", "highest"):
        if row[name] is not None:
            rule = replace(rule, **{name: row[name]})
    return rule, learned_ns


def _state(
    reader: RecordingReader, plan: PlanSettings, cycles: list[dict[str, Any]]
) -> CampaignState | None:
    """Return the stage that is on; None where none has begun."""
    changes = [event for event in reader.read_events() if event.kind in _STAGE_KINDS]
    begun = [event for event in changes if event.kind == EventKind.STAGE_BEGUN]
    if not begun:
        return None
    names = [stage.name for stage in plan.stage]
    done = next((event for event in changes if event.kind == EventKind.PLAN_DONE), None)
    newest = begun[-1] if done is None else done
    stage = names.index(newest.stage) if newest.stage in names else 0
    count = cycles[-1]["cycle"] if cycles else 0
    began_ns = begun[0].time_ns
    day = (reader.manifest.ended_ns or _newest_ns(reader)) - began_ns
    day_number = max(day, 0) // DAY_NS + 1
    return CampaignState(
        began_ns=began_ns,
        stage=len(names) if done is not None else stage,
        stage_ns=newest.time_ns,
        cycles_before=newest.whole_value,
        cycles=count,
        recent_ns=tuple(one["time"] for one in cycles),
        missing_since_ns=_no_cycle_since(changes, cycles),
        day=day_number,
        day_hottest_degC=_hottest(reader, began_ns + (day_number - 1) * DAY_NS),
    )


_STAGE_KINDS: Final = frozenset(
    {
        *(EventKind.STAGE_BEGUN, EventKind.PLAN_DONE),
        *(EventKind.CYCLES_MISSING, EventKind.CYCLES_AGAIN),
    }
)


def _no_cycle_since(changes: list[Event], cycles: list[dict[str, Any]]) -> int | None:
    kinds = {EventKind.CYCLES_MISSING, EventKind.CYCLES_AGAIN}
    newest = next((event for event in reversed(changes) if event.kind in kinds), None)
    if newest is None or newest.kind != EventKind.CYCLES_MISSING:
        return None
    ended_ns = cycles[-1]["time"] if cycles else 0
    since_ns = newest.time_ns - round(newest.duration_s * 1e9)
    return None if ended_ns > newest.time_ns else since_ns


def _newest_ns(reader: RecordingReader) -> int:
    row = reader.newest_row("progress")
    return reader.manifest.started_ns if row is None else int(str(row["time"]))


def _hottest(reader: RecordingReader, since_ns: int) -> float:
    """Return the hottest temperature that was recorded since an instant; NaN for none."""
    span = reader.span_ns("progress")
    if span is None:
        return float("nan")
    table = reader.read_rows(
        "progress", start_ns=since_ns, end_ns=span[1] + 1, columns=["time", "hottest_degC"]
    )
    values = table["hottest_degC"].fill_null(float("nan")).to_numpy()
    return float(np.fmax.reduce(values, initial=float("nan")))
