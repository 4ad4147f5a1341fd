"""A plan that is followed while a joint is recorded: its cycles, stages and progress, as rows.

Looked at every five seconds of the recording's time, so that batches of any size give the same:
readings wait until then, which also costs less than looking at each batch. dutytrace drives
nothing; what the stages wait for is what somebody else makes the joint do.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pyarrow as pa

from logger.arrays import TIME_MIN_NS
from logger.campaign.cycle_plan import Cycle, CyclePlan
from logger.campaign.joint_cycles import joint_cycle_plan
from logger.campaign.plan import plan_joint
from logger.campaign.plan_outlook import PlanOutlook, plan_outlook
from logger.campaign.plan_settings import PlanSettings
from logger.campaign.recording_breaks import RecordingBreaks
from logger.campaign.stage_outlook import StageOutlook, stage_outlook
from logger.campaign.stage_progress import (
    STEP_NS,
    CampaignState,
    Seen,
    StageChange,
    advance,
)
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench
from logger.joint.channels import channel_named
from logger.recording.campaign_start import CampaignStart
from logger.recording.campaign_words import change_words
from logger.recording.event_log import EventLog
from logger.store.layout.cycle_schema import CYCLE_RULE_SCHEMA, PROGRESS_SCHEMA
from logger.store.layout.events import Event, recording_breaks
from logger.store.layout.files import cycle_rules_stream, cycles_stream
from logger.store.layout.schema import stream_schemas, table_of_rows
from logger.store.writing.row_writer import RowWriter

__all__ = ["CampaignRows"]

_PROGRESS_EVERY: Final = 2
"""Steps between two rows of progress."""
_AMBIENT_HOLD_NS: Final = 120 * 1_000_000_000
_LONGEST_WALK: Final = 20_000
"""Steps without a reading that are looked at one by one: a day and more; a longer gap is jumped."""


class CampaignRows:
    """Follows the plan of one joint."""

    def __init__(
        self,
        plan: PlanSettings,
        bench: Bench,
        *,
        start_ns: int,
        start: CampaignStart | None = None,
    ) -> None:
        """Begin at an instant of the recording's time, or go on from `start`."""
        start = start or CampaignStart()
        joint = plan_joint(plan, bench, "the plan")
        self.plan, self.joint = plan, joint.name
        self._label = bench.label_of(joint.name)
        self._cycle_plan = joint_cycle_plan(bench, joint.name, plan.cycle)
        self._finder = start.finder
        self._state = start.state or CampaignState(began_ns=start_ns)
        self._next_ns = start_ns // STEP_NS * STEP_NS + STEP_NS
        self._steps = 0
        self._cycles_schema = stream_schemas(bench)[cycles_stream(joint.name)]
        self._own = [
            name for name in bench.channels_of(joint) if _is_temperature(name, ambient=False)
        ]
        self._hold_ns = bench.hold_times_ns_of(joint)
        self._ambient = {
            one.name: name
            for one in bench.joints
            for name in bench.channels_of(one)
            if _is_temperature(name, ambient=True)
        }
        self._waiting: dict[str, list[ReadingBatch]] = {}
        self._newest: dict[str, tuple[int, float]] = {}
        self._ambient_newest: tuple[int, float] = (TIME_MIN_NS, math.nan)
        self._notes: list[tuple[int, str]] = []
        self._bus = bench.bus_of_joint(joint.name)
        self._breaks_ns: list[tuple[int, int]] = []
        self._begin_note = plan.cycle.note if plan.cycle else None
        for batch in start.readings:
            self.add_readings(batch)
        self._marks_ns = list(start.marks_ns)

    @property
    def outlook(self) -> StageOutlook:
        """How far the present stage was at the last step."""
        return stage_outlook(self.plan, self._state, self._next_ns - STEP_NS)

    @property
    def plan_outlook(self) -> PlanOutlook:
        """How long the plan still took at the last step."""
        return plan_outlook(self.plan, self._state, self._next_ns - STEP_NS)

    def add_readings(self, readings: ReadingBatch) -> None:
        """Take readings of any joint, in order of time."""
        if len(readings) and (readings.joint == self.joint or readings.joint in self._ambient):
            self._waiting.setdefault(readings.joint, []).append(readings)

    def add_event(self, event: Event) -> None:
        """Take an event; a note of a time that is over counts from the next step on."""
        if event.kind == EventKind.NOTE:
            self._notes.append((event.time_ns, event.text))
        self.add_breaks([event])

    def add_breaks(self, events: Sequence[Event]) -> None:
        """Take the breaks of the recording that events tell of, also such as are still to come."""
        self._breaks_ns += recording_breaks(events, bus=self._bus)

    def record_until(self, now_ns: int, writer: RowWriter, events: EventLog) -> None:
        """Write the rows of all steps that are over at an instant, and emit what happened.

        No reading before `now_ns` may follow.
        """
        if now_ns < self._next_ns:
            return
        waiting = {
            joint: _joined_rows(batches) for joint, batches in self._waiting.items() if batches
        }
        self._waiting = {}
        while self._next_ns <= now_ns:
            changes, waiting = self._step(self._next_ns, waiting, writer)
            self._emit(changes, events)
            self._next_ns = self._after(now_ns, waiting)
        self._waiting = {joint: [rows] for joint, rows in waiting.items() if len(rows)}

    def finish(self, time_ns: int, writer: RowWriter, events: EventLog) -> None:
        """Write what is left at the end: the step that is under way, and cycles that waited."""
        self.record_until(time_ns, writer, events)
        waiting = {joint: _joined_rows(batches) for joint, batches in self._waiting.items()}
        self._waiting = {}
        changes, _ = self._step(time_ns + 1, waiting, writer, is_end=True)
        self._emit(changes, events)

    def _emit(self, changes: Sequence[StageChange], events: EventLog) -> None:
        for change in changes:
            events.emit(
                change.kind,
                time_ns=change.time_ns,
                joint=self.joint,
                stage=change.stage,
                value=float(change.cycles),
                duration_s=change.duration_s,
                text=change_words(change, self.plan, self._label),
            )

    def _after(self, now_ns: int, waiting: Mapping[str, ReadingBatch]) -> int:
        """Return the next mark; where nothing was read for days the newest that is over."""
        next_ns = self._next_ns + STEP_NS
        times = [int(rows.time_ns[0]) for rows in waiting.values() if len(rows)]
        until_ns = min([now_ns, *times])
        if until_ns - next_ns > _LONGEST_WALK * STEP_NS:
            return until_ns // STEP_NS * STEP_NS
        return next_ns

    def _step(
        self,
        mark_ns: int,
        waiting: Mapping[str, ReadingBatch],
        writer: RowWriter,
        *,
        is_end: bool = False,
    ) -> tuple[tuple[StageChange, ...], dict[str, ReadingBatch]]:
        now, later = {}, {}
        for joint, rows in waiting.items():
            place = int(rows.time_ns.searchsorted(mark_ns))
            now[joint] = rows.select_rows(slice(place))
            later[joint] = rows.select_rows(slice(place, None))
        own = now.get(self.joint)
        notes = [one for one in self._notes if one[0] < mark_ns]
        self._notes = [one for one in self._notes if one[0] >= mark_ns]
        cycles = self._find_cycles(own, notes, mark_ns, writer, is_end=is_end)
        self._take_temperatures(now)
        changes, self._state = advance(
            self.plan,
            self._state,
            mark_ns,
            Seen(
                cycle_ends_ns=tuple(one.end_ns for one in cycles),
                notes=tuple(notes),
                temperatures_degC={
                    name: value
                    for name, (at_ns, value) in self._newest.items()
                    if mark_ns - at_ns <= self._hold_ns[name] + STEP_NS
                },
                ambient_degC=self._ambient_newest[1]
                if mark_ns - self._ambient_newest[0] <= _AMBIENT_HOLD_NS
                else math.nan,
            ),
        )
        if cycles:
            stages = self._stages_of(cycles, changes)
            writer.append_rows(
                cycles_stream(self.joint), _cycle_rows(cycles, stages, self._cycles_schema)
            )
        if changes or self._steps % _PROGRESS_EVERY == 0 or is_end:
            writer.append_rows("progress", self._progress_row(mark_ns - is_end))
        self._steps += 1
        return changes, later

    def _find_cycles(
        self,
        own: ReadingBatch | None,
        notes: Sequence[tuple[int, str]],
        mark_ns: int,
        writer: RowWriter,
        *,
        is_end: bool,
    ) -> tuple[Cycle, ...]:
        plan = self._cycle_plan
        if plan is None:
            return ()
        before, rule = self._finder.number, self._finder.rule
        cycles: tuple[Cycle, ...] = ()
        starts_ns = None
        if self._begin_note is not None:
            earliest_ns = self._finder.start_ns or TIME_MIN_NS
            noted = [at for at, text in notes if text == self._begin_note and at > earliest_ns]
            starts_ns = np.array(sorted({*self._marks_ns, *noted}), np.int64)
            self._marks_ns = []
        if (own is not None and len(own)) or (starts_ns is not None and len(starts_ns)):
            rows = own if own is not None else _no_readings(self.joint, plan)
            breaks, self._breaks_ns = RecordingBreaks.of(self._breaks_ns), []
            cycles, self._finder = self._finder.feed(plan, rows, starts_ns=starts_ns, breaks=breaks)
        if is_end:
            waited, self._finder = self._finder.finish(plan)
            cycles = (*cycles, *waited)
        if self._finder.rule is not None and self._finder.rule is not rule and plan.rule is None:
            writer.append_rows(
                cycle_rules_stream(self.joint), self._rule_row(mark_ns, first_cycle=before + 1)
            )
        return cycles

    def _rule_row(self, mark_ns: int, *, first_cycle: int) -> pa.RecordBatch:
        rule = self._finder.rule
        assert rule is not None, "it was just learned"
        row: dict[str, object] = {
            "time": mark_ns,
            "first_cycle": first_cycle,
            "channel": rule.channel,
            "low": rule.low,
            "high": rule.high,
            "typical_s": rule.typical_s,
            "lowest": _or_null(rule.lowest),
            "highest": _or_null(rule.highest),
            "learned": self._finder.learned_ns,
        }
        return table_of_rows([row], CYCLE_RULE_SCHEMA)

    def _take_temperatures(self, now: Mapping[str, ReadingBatch]) -> None:
        for joint, rows in now.items():
            names = [*(self._own if joint == self.joint else ())]
            names += [self._ambient[joint]] if joint in self._ambient else []
            for name in names:
                time_ns, values = rows.channel_series(name)
                if not len(values):
                    continue
                newest = (int(time_ns[-1]), float(values[-1]))
                if name in self._own and joint == self.joint:
                    self._newest[name] = newest
                elif newest[0] >= self._ambient_newest[0]:
                    self._ambient_newest = newest

    def _stages_of(
        self, cycles: Sequence[Cycle], changes: Sequence[StageChange]
    ) -> list[str | None]:
        """Return the stage in which each cycle ended."""
        ended = [one for one in changes if one.kind == EventKind.STAGE_ENDED]
        present = None if self._state.is_done(self.plan) else self.plan.stage[self._state.stage]
        return [
            next(
                (one.stage for one in ended if cycle.end_ns <= one.time_ns),
                None if present is None else present.name,
            )
            for cycle in cycles
        ]

    def _progress_row(self, mark_ns: int) -> pa.RecordBatch:
        now = stage_outlook(self.plan, self._state, mark_ns)
        row: dict[str, object] = {
            "time": mark_ns,
            "stage": now.stage or None,
            "index": now.index,
            "cycles": now.cycles,
            "stage_cycles": now.stage_cycles,
            "share": _or_null(now.share),
            "expected": now.expected_ns,
            "hottest_degC": _or_null(now.hottest_degC),
        }
        return table_of_rows([row], PROGRESS_SCHEMA)


def _cycle_rows(
    cycles: Sequence[Cycle], stages: Sequence[str | None], schema: pa.Schema
) -> pa.RecordBatch:
    rows: list[dict[str, object]] = [
        {
            "time": cycle.end_ns,
            "start": cycle.start_ns,
            "cycle": cycle.number,
            "kind": str(cycle.kind),
            "stage": stage,
            **{name: _or_null(value) for name, value in cycle.figures.items()},
        }
        for cycle, stage in zip(cycles, stages, strict=True)
    ]
    return table_of_rows(rows, schema)


def _no_readings(joint: str, plan: CyclePlan) -> ReadingBatch:
    return ReadingBatch(
        joint=joint,
        time_ns=np.empty(0, np.int64),
        position_segment=np.empty(0, np.int32),
        columns={name: np.empty(0) for name in plan.hold_ns},
    )


def _joined_rows(batches: Sequence[ReadingBatch]) -> ReadingBatch:
    if len(batches) == 1:
        return batches[0]
    return ReadingBatch.concatenate(batches, channels=list(batches[0].columns))


def _is_temperature(name: str, *, ambient: bool) -> bool:
    channel = channel_named(name)
    is_own = channel.quantity == "temperature" and not channel.setpoint
    return is_own and (channel.place == "ambient") is ambient


def _or_null(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
