"""Frames in, rows and alerts out: decode, evaluate, store, one batch at a time.

The same for a bus, a log and a simulation; the caller owns the clock. What is derived once a second
is computed here as well, so that every recording has the same streams. Events go to an `EventLog`.
"""

import math
from collections import Counter
from collections.abc import Mapping

import numpy as np

from logger.arrays import to_s
from logger.event_kind import EventKind
from logger.heat.fitted import heat_of_joint
from logger.heat.watch import ModelChange
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench
from logger.joint.bench.counts import count_grids
from logger.joint.decode.decode import decode, decode_plan, settled_state
from logger.joint.decode.turn_memory import TurnMemory
from logger.limits.deferral import DeferredState, evaluate_deferred, evaluate_held
from logger.limits.evaluate import (
    EvaluationState,
    LimitPlan,
    after_limits_change,
    after_standstill,
    plan_limits,
)
from logger.limits.limit import LimitSet
from logger.limits.limit_change import CoverageChange
from logger.limits.recorder import (
    RecorderSample,
    RecorderState,
    evaluate_recorder,
    recorder_after_change,
)
from logger.limits.scored_limit import ScoredLimit
from logger.limits.words import change_sentence, coverage_sentence
from logger.recording.campaign_rows import CampaignRows
from logger.recording.derived_rows import DerivedRows, model_sentence
from logger.recording.event_log import EventLog
from logger.recording.fault_report import FaultReport
from logger.recording.notice_throttle import NoticeThrottle
from logger.recording.per_second import FramesPerSecond, second_marks
from logger.recording.position_segments import PositionSegments
from logger.recording.reading_events import emit_out_of_range, emit_position_breaks
from logger.recording.recorder_health import (
    UNKNOWN_HEALTH,
    RecorderHealth,
    bus_rows,
    health_rows,
)
from logger.recording.resume import NEW_RECORDING, ResumePoint, resume_limits
from logger.store.pyramid.seconds import BASE_NS
from logger.store.writing.inbox import LIMITS_SUBMITTED, EventRequest
from logger.store.writing.row_writer import RowWriter

__all__ = ["Pipeline"]


class Pipeline:
    """Takes frames in order of time and fills one recording."""

    def __init__(
        self,
        bench: Bench,
        limits: LimitSet,
        writer: RowWriter,
        events: EventLog,
        *,
        start_ns: int,
        start: ResumePoint = NEW_RECORDING,
        forecasts: bool = False,
        campaign: CampaignRows | None = None,
    ) -> None:
        """Begin from `start`; what happens is emitted through `events`.

        `forecasts`: where joints go is forecast while they are recorded, and by no file.
        `campaign`: follows a plan; None: there is none.
        """
        self._bench = bench
        self._limits = limits
        self._writer = writer
        self._events = events
        self._decode_plan = decode_plan(bench)
        self._decode_state = start.decode_state()
        self._limit_plans = self._plans(limits)
        self._limit_states = {
            name: DeferredState(state=resume_limits(plan, start, start_ns=start_ns))
            for name, plan in self._limit_plans.items()
        }
        self._standstills: dict[str, list[tuple[int, int]]] = {
            joint.name: [] for joint in bench.joints
        }
        """(start, end) of those that the readings of a joint have not passed yet, in order."""
        self._recorder = RecorderState(lost=start.lost)
        self._garbled: int | None = None
        """Lines or frames that could not be read, at the second before."""
        self._derived = DerivedRows(bench, limits, forecasts=forecasts)
        self._campaign = campaign
        if campaign is not None:
            events.follow_events(campaign.add_event)
        self._segments = PositionSegments()
        self._second_ns = start_ns // BASE_NS * BASE_NS + BASE_NS
        self._frames = FramesPerSecond()
        self._throttle = NoticeThrottle(bench.labels)
        self._faults = FaultReport(bench)
        self.lost = start.lost
        """Frames that were lost before they could be stored, so far."""
        self.rejected: Counter[str] = Counter()
        """Reason in words -> frames that no joint's layout explains for it, so far."""
        self.out_of_range: dict[tuple[str, str], int] = {}
        """(joint, channel) -> values outside the channel's valid range, so far."""

    @property
    def turn_memories(self) -> Mapping[str, TurnMemory]:
        """What a recorder that resumes here remembers of each joint, to find lost turns by."""
        return {
            joint: state.memory.after_restart(state.turns)
            for joint, state in settled_state(self._decode_plan, self._decode_state).joints.items()
        }

    @property
    def limit_states(self) -> Mapping[str, EvaluationState]:
        """State of the limits of each joint."""
        return {joint: self._limit_state(joint) for joint in self._limit_states}

    def _limit_state(self, joint: str) -> EvaluationState:
        return evaluate_held(self._limit_plans[joint], self._limit_states[joint])

    def _plans(self, limits: LimitSet) -> dict[str, LimitPlan]:
        return {
            joint.name: plan_limits(
                limits,
                joint=joint.name,
                hold_ns=self._bench.hold_times_ns_of(joint),
                rated=joint.rated,
                grids=count_grids(self._bench, joint),
                heat=heat_of_joint(joint, self._bench.channels_of(joint)),
                sensor=joint.name in self._bench.sensors,
            )
            for joint in self._bench.joints
        }

    @property
    def undecoded(self) -> int:
        """Frames so far that no joint's layout explains."""
        return self.rejected.total()

    def process(self, frames: FrameBatch, *, now_ns: int) -> tuple[ReadingBatch, ...]:
        """Store, decode and evaluate a batch; no later one may hold a frame before `now_ns`.

        Returns
        -------
        tuple of ReadingBatch
            The decoded readings, one batch for each joint of the bench; stored and evaluated.
        """
        self._writer.append_frames(frames)
        decoded, self._decode_state = decode(self._decode_plan, self._decode_state, frames)
        self.rejected.update(decoded.rejected)
        for (joint, channel), outliers in decoded.out_of_range.items():
            if (joint, channel) not in self.out_of_range:
                emit_out_of_range(
                    self._events,
                    self._bench.label_of(joint),
                    joint,
                    channel=channel,
                    outliers=outliers,
                    frames=frames,
                )
                self.out_of_range[joint, channel] = 0
            self.out_of_range[joint, channel] += outliers.count
        for faults in decoded.faults:
            self._faults.add_faults(faults, self._events)
        self._frames.add_frames(frames)
        for notice in self._throttle.filter_notices(decoded.notices):
            self._events.emit_notice(notice)
        for readings in decoded.readings:
            if len(readings):
                self._writer.append_readings(readings)
                label = self._bench.label_of(readings.joint)
                begun = self._segments.breaks_in(readings)
                emit_position_breaks(self._events, label, readings.joint, begun, decoded.anchors)
            self._process_readings(readings, now_ns)
        return decoded.readings

    def process_readings(self, readings: ReadingBatch, *, now_ns: int) -> None:
        """Store and evaluate readings of a joint that do not come from frames."""
        if len(readings):
            self._writer.append_readings(readings)
        self._process_readings(readings, now_ns)

    def _process_readings(self, readings: ReadingBatch, now_ns: int) -> None:
        self._evaluate(readings, now_ns)
        self._derived.add_readings(readings)
        if self._campaign is not None:
            self._campaign.add_readings(readings)

    def note_standstill(self, start_ns: int, end_ns: int, *, bus: int) -> None:
        """Note that a bus was not read in a span: no joint of it was silent there.

        Nothing may have been processed with a `now_ns` within it. Rows of that span, which the
        system kept, are evaluated like all others.
        """
        for joint in self._bench.joints:
            if self._bench.bus_of_joint(joint.name) == bus:
                self._standstills[joint.name].append((start_ns, end_ns))

    def _evaluate(self, readings: ReadingBatch, now_ns: int) -> None:
        """Evaluate the limits of a joint over readings, in stretches between standstills."""
        joint, pending = readings.joint, self._standstills[readings.joint]
        while pending and pending[0][1] <= now_ns:
            start_ns, end_ns = pending.pop(0)
            row = int(np.searchsorted(readings.time_ns, end_ns))
            self._evaluate_stretch(readings.select_rows(slice(0, row)), start_ns)
            state = after_standstill(
                self._limit_plans[joint], self._limit_state(joint), time_ns=end_ns
            )
            self._limit_states[joint] = DeferredState(state=state)
            readings = readings.select_rows(slice(row, None))
        self._evaluate_stretch(readings, min(now_ns, pending[0][0]) if pending else now_ns)

    def _evaluate_stretch(self, readings: ReadingBatch, now_ns: int) -> None:
        joint = readings.joint
        evaluation, self._limit_states[joint] = evaluate_deferred(
            self._limit_plans[joint], self._limit_states[joint], readings, now_ns=now_ns
        )
        if evaluation is None:
            return
        for change in evaluation.changes:
            limit = self._limits.by_name(change.limit)
            assert limit is not None, "the plan was made from the same limits"
            sentence = change_sentence(change, limit, label=self._bench.label_of(joint))
            self._events.emit_change(change, sentence)
        for coverage in evaluation.coverage:
            self._emit_coverage(coverage)

    def _emit_coverage(self, change: CoverageChange) -> None:
        """Emit that a limit is not judged any more, or is judged again."""
        limit = self._limits.by_name(change.limit)
        assert isinstance(limit, ScoredLimit), "silences are judged all the time"
        self._events.emit(
            change.kind,
            time_ns=change.time_ns,
            joint=change.joint,
            limit=change.limit,
            channel=limit.needed_channels[0][1],
            duration_s=to_s(change.time_ns - change.since_ns),
            text=coverage_sentence(
                change,
                limit,
                self._limit_plans[change.joint].hold_ns,
                label=self._bench.label_of(change.joint),
            ),
        )

    def emit_frame_loss(
        self, count: int, *, since_ns: int, time_ns: int, bus: int, cause: str
    ) -> None:
        """Count frames that were lost on a bus between two instants, and make an event of it.

        `bus`: index in the bench. `cause`: why, for the end of the sentence.
        """
        self.lost += count
        frames = f"{count} frame{' was' if count == 1 else 's were'}"
        self._events.emit(
            EventKind.DROPPED,
            time_ns=time_ns,
            value=float(count),
            duration_s=to_s(time_ns - since_ns),
            bus=bus,
            text=f"{frames} lost on the bus {self._bench.buses[bus].channel}: {cause}",
        )

    def replace_limits(
        self, limits: LimitSet, *, time_ns: int, handed_over: EventRequest | None = None
    ) -> None:
        """Put other limits into force at one instant; limits that are the same continue unchanged.

        `handed_over`: the request that they came with; None: their file was saved.
        """
        plans = self._plans(limits)
        for joint, plan in plans.items():
            ended, state = after_limits_change(
                self._limit_plans[joint], self._limit_state(joint), plan, time_ns=time_ns
            )
            self._limit_states[joint] = DeferredState(state=state)
            for change in ended:
                self._events.emit_change(
                    change,
                    f"{self._bench.label_of(joint)}: the limit {change.limit} was changed after "
                    "this was raised.",
                )
        ended_own, self._recorder = recorder_after_change(
            self._recorder, self._limits.recorder_limits, limits.recorder_limits, time_ns=time_ns
        )
        for change in ended_own:
            self._events.emit_change(change, f"The limit {change.limit} was changed.")
        self._limit_plans, self._limits = plans, limits
        self._derived.set_limits(limits)
        names = ", ".join(limit.name for limit in limits.limits) or "none"
        begins = "Other" if handed_over is None else f"{LIMITS_SUBMITTED}: other"
        self._events.emit(
            EventKind.LIMITS_TAKEN_OVER,
            time_ns=time_ns,
            text=f"{begins} limits are in force from here on: {names}.",
            who="" if handed_over is None else handed_over.who,
            request="" if handed_over is None else handed_over.name,
        )

    def is_second_over(self, now_ns: int) -> bool:
        """Return whether a whole second of the recording's time is over and not recorded yet."""
        return now_ns >= self._second_ns

    def record_seconds(self, now_ns: int, health: RecorderHealth = UNKNOWN_HEALTH) -> None:
        """Store the rows of each whole second that is over, and emit what is checked once a second.

        `health`: that of the recorder at `now_ns`, as far as the caller knows it; where several
        seconds are over at once, all of them get the same.
        """
        if not self.is_second_over(now_ns):
            return
        marks = second_marks(self._second_ns, now_ns)
        self._second_ns = int(marks[-1]) + BASE_NS
        self._writer.append_rows(
            "health",
            health_rows(
                marks,
                self._frames.counts_at(marks),
                health,
                dropped=self.lost,
                undecoded=self.undecoded,
            ),
        )
        if health.buses:
            self._writer.append_rows("buses", bus_rows(int(marks[-1]), health))
        for notice in self._throttle.take_summaries(now_ns):
            self._events.emit_notice(notice)
        self._faults.emit_due(now_ns, self._events)
        self._evaluate_recorder(now_ns, health)
        for joint, change in self._derived.record_marks(marks, self._writer):
            self._emit_model_change(joint, change)
        if self._campaign is not None:
            self._campaign.record_until(now_ns, self._writer, self._events)

    def _emit_model_change(self, joint: str, change: ModelChange) -> None:
        """Emit that a joint has left its model of heat, or is within it again."""
        left_s = math.nan if change.since_ns is None else to_s(change.time_ns - change.since_ns)
        self._events.emit(
            EventKind.MODEL_LEFT if change.since_ns is None else EventKind.MODEL_HOLDS_AGAIN,
            time_ns=change.time_ns,
            joint=joint,
            duration_s=left_s,
            text=model_sentence(self._bench.label_of(joint), left_s),
        )

    def _evaluate_recorder(self, now_ns: int, health: RecorderHealth) -> None:
        limits = self._limits.recorder_limits
        before, self._garbled = self._garbled, health.garbled if health.buses else None
        seen = RecorderSample(
            now_ns=now_ns,
            lost=self.lost,
            disk_left_h=health.disk_left_h,
            load=health.bus_load,
            error_frames=health.error_frames,
            garbled=math.nan if before is None else float(max(health.garbled - before, 0)),
        )
        changes, self._recorder = evaluate_recorder(self._recorder, seen, limits)
        named = {limit.name: limit for limit in limits}
        for change in changes:
            self._events.emit_change(change, change_sentence(change, named[change.limit]))

    def finish(self, time_ns: int) -> None:
        """Emit what was held back: throttled text events and faults, the end of a campaign."""
        if self._campaign is not None:
            self._campaign.finish(time_ns, self._writer, self._events)
        for notice in self._throttle.take_summaries(time_ns, is_end=True):
            self._events.emit_notice(notice)
        self._faults.emit_due(time_ns, self._events, is_end=True)
