"""Frames in, rows and events out: decode, limits and store, one batch at a time.

The same for a bus, a log and a simulation; who calls it owns the clock. What is derived once a
second and what is said of alerts is made here as well, so that every recording has it alike.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench
from logger.joint.channels import CHANNELS
from logger.joint.decode.decode import DecodeState, decode
from logger.joint.decode.decode import decode_plan as decode_plan_for
from logger.joint.decode.text_codes import Notice
from logger.limits.evaluate import EvaluationState as LimitState
from logger.limits.evaluate import LimitPlan, after_limits_change, evaluate
from logger.limits.evaluate import plan_limits as limit_plan_for
from logger.limits.limit import LimitSet
from logger.limits.limit_change import LimitChange
from logger.limits.recorder import (
    ONE_SHOT_LIMITS,
    RecorderSample,
    RecorderState,
    evaluate_recorder,
    one_shot_trip,
)
from logger.limits.recorder import recorder_after_change as recorders_taken_over
from logger.limits.words import change_sentence
from logger.recording.notice_throttle import NoticeThrottle
from logger.recording.per_second import FramesPerSecond, RmsTorque, second_marks
from logger.recording.resume import NEW_RECORDING, ResumePoint, gap_text, resume_limits
from logger.store.layout.events import Event
from logger.store.layout.files import derived_stream
from logger.store.layout.schema import BUS_SCHEMA, DERIVED_SCHEMA, HEALTH_SCHEMA, table_of_rows
from logger.store.pyramid.seconds import BASE_NS
from logger.store.writing.inbox import LIMITS_SUBMITTED, EventRequest, to_event
from logger.store.writing.row_buffer import RowBuffer
from logger.traffic.per_second import BusSecond

__all__ = ["BusVitals", "Intake", "Vitals"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BusVitals:
    """How one bus fares."""

    second: BusSecond
    lost: int
    """Frames lost since the recording began."""
    garbled: int
    unanswered: int = 0
    """Requests of the recorder that nobody answered in time, since it began."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Vitals:
    """How the recorder fares, as the caller knows it; NaN for what it does not."""

    buses: tuple[BusVitals, ...] = ()
    disk_left_h: float = math.nan

    @property
    def bus_load(self) -> float:
        """Load of the bus that is loaded most."""
        loads = [bus.second.load for bus in self.buses if not math.isnan(bus.second.load)]
        return max(loads, default=math.nan)

    @property
    def error_frames(self) -> float:
        """Error frames on all buses within the last second; NaN without a bus."""
        return sum(bus.second.error_frames for bus in self.buses) if self.buses else math.nan

    @property
    def garbled(self) -> int:
        """Lines or frames that no adapter made sense of."""
        return sum(bus.garbled for bus in self.buses)


NO_VITALS: Final = Vitals()


class Intake:
    """Takes frames in order of time and fills one recording."""

    def __init__(
        self,
        bench: Bench,
        limits: LimitSet,
        writer: RowBuffer,
        *,
        start_ns: int,
        start: ResumePoint = NEW_RECORDING,
        on_event: Callable[[Event], None] = lambda _event: None,
        on_readings: Callable[[ReadingBatch], None] = lambda _readings: None,
    ) -> None:
        """Begin; what it says and what the joints read is handed on as well, on its own thread."""
        self._on_readings = on_readings
        self._writer = writer
        self._limits = limits
        self._on_event = on_event
        self._plan = decode_plan_for(bench)
        self._start = start
        self._state = start.decode_state()
        self._bench = bench
        self._watch = self._plans(limits)
        self._watched = {
            name: resume_limits(plan, start, start_ns=start_ns)
            for name, plan in self._watch.items()
        }
        self._recorder = RecorderState(lost=start.lost)
        self._sequence = start.sequence
        self._alerts = start.alerts
        self._open = {key: alert.number for key, alert in start.open_alerts.items()}
        self._torque = {
            joint.name: RmsTorque(hold["torque_Nm"])
            for joint in bench.joints
            if "torque_Nm" in (hold := bench.hold_times_ns_of(joint))
        }
        self._own: dict[int, LimitChange] = {}
        self._segment: dict[str, tuple[int, int]] = {}
        self._second_ns = start_ns // BASE_NS * BASE_NS + BASE_NS
        self._frames = FramesPerSecond()
        self._outspoken = NoticeThrottle()
        self._vitals: Callable[[], Vitals] = lambda: NO_VITALS
        self.lost = start.lost
        """Frames that were lost before they could be stored, so far."""
        self.undecoded = 0
        """Frames that no joint's layout explains, so far."""
        self.strange: dict[tuple[str, str], int] = {}
        """(joint, channel) -> values outside the channel's valid range, so far."""

    @property
    def watched(self) -> Mapping[str, LimitState]:
        """Where the limits of each joint stand."""
        return self._watched

    def _plans(self, limits: LimitSet) -> dict[str, LimitPlan]:
        return {
            joint.name: limit_plan_for(
                limits,
                joint=joint.name,
                hold_ns=self._bench.hold_times_ns_of(joint),
                rated=joint.rated,
                sensor=joint.name in self._bench.sensors,
            )
            for joint in self._bench.joints
        }

    def take_limits(
        self, limits: LimitSet, *, time_ns: int, handed_over_by: str | None = None
    ) -> None:
        """Take other limits over at one instant; what is the same in both goes on.

        `handed_over_by`: who asked for it; None: their file was saved.
        """
        plans = self._plans(limits)
        for joint, plan in plans.items():
            ended, self._watched[joint] = after_limits_change(
                self._watch[joint], self._watched[joint], plan, time_ns=time_ns
            )
            for change in ended:
                self._said(
                    change,
                    f"{joint}: the limit {change.limit} is no longer as it was when this was "
                    "raised.",
                )
        ended_own, self._recorder = recorders_taken_over(
            self._recorder, self._limits.recorder_limits, limits.recorder_limits, time_ns=time_ns
        )
        for change in ended_own:
            self._said(change, f"The limit {change.limit} is no longer as it was.")
        self._watch, self._limits = plans, limits
        names = ", ".join(limit.name for limit in limits.limits) or "none"
        begins = "Other" if handed_over_by is None else f"{LIMITS_SUBMITTED}: other"
        self.say(
            "limits taken over",
            time_ns=time_ns,
            text=f"{begins} limits are in force from here on: {names}.",
            who=handed_over_by or "",
        )

    def begin(self, time_ns: int, *, note: str = "") -> None:
        """Say that recording starts, or goes on with what is known to be missing."""
        if self._start.is_resume:
            self.say(
                "continued",
                time_ns=time_ns,
                duration_s=(time_ns - self._start.ended_ns) * 1e-9,
                text=gap_text(self._start, start_ns=time_ns),
            )
            for joint, limit in list(self._open):
                if joint == "" or limit in ONE_SHOT_LIMITS:
                    # What the recorder watches about itself begins anew with it.
                    self._close_own(joint, limit, time_ns)
        else:
            self.say("started", time_ns=time_ns, text="Recording started.")
        if note:
            self.say("note", time_ns=time_ns, text=note)

    def take(
        self,
        frames: FrameBatch,
        *,
        now_ns: int,
        vitals: Callable[[], Vitals] | None = None,
    ) -> None:
        """Take a batch; no later one holds a frame before `now_ns`.

        `vitals` is asked once a second of the recording's time; left away, the one given before.
        """
        self._vitals = vitals or self._vitals
        self._writer.append_frames(frames)
        decoded, self._state = decode(self._plan, self._state, frames)
        self.undecoded += sum(decoded.rejected.values())
        for key, count in decoded.out_of_range.items():
            if key not in self.strange:
                self._warn_of_strange(*key, decoded.readings, frames)
            self.strange[key] = self.strange.get(key, 0) + count
        self._frames.add_frames(frames)
        for said in self._outspoken.filter_notices(decoded.notices):
            self._tell(said)
        for readings in decoded.readings:
            self._take_readings(readings, now_ns)
        if now_ns >= self._second_ns:
            self._each_second(now_ns, self._vitals())

    def _warn_of_strange(
        self, joint: str, channel: str, readings: tuple[ReadingBatch, ...], frames: FrameBatch
    ) -> None:
        """Say once that a channel has a value that no joint can have, with the frame that told it.

        It is kept as it is: what is wrong is most often the layout, and the raw frames are there.
        """
        known = CHANNELS[channel]
        batch = next(one for one in readings if one.joint == joint)
        values = batch.columns[channel]
        place = int(np.flatnonzero((values < known.lowest) | (values > known.highest))[0])
        time_ns = int(batch.time_ns[place])
        # Several frames may have come at that instant: the one that says so alone is meant. Alone,
        # an answer that looks like its request is not told from it.
        alone = replace(self._plan, echo_windows_ns={})
        told = next(
            (
                row
                for row in np.flatnonzero(frames.time_ns == time_ns).tolist()
                if (joint, channel)
                in decode(alone, DecodeState(), frames.select_rows(slice(row, row + 1)))[
                    0
                ].out_of_range
            ),
            0,
        )
        payload = bytes(frames.data[told, : frames.length[told]]).hex(" ").upper()
        self.say(
            "strange value",
            time_ns=time_ns,
            joint=joint,
            channel=channel,
            value=float(values[place]),
            text=f"{joint}: {channel} of {values[place]:.6g} lies outside {known.lowest:g} to "
            f"{known.highest:g} (frame 0x{int(frames.identifier[told]):03X}, {payload}). It is "
            "kept as it is; compare sign, byte order and scale in the layout, then "
            "`dutytrace redecode`.",
        )

    def _take_readings(self, readings: ReadingBatch, now_ns: int) -> None:
        joint = readings.joint
        if len(readings):
            self._writer.append_readings(readings)
            self._follow_position(readings)
        changes, self._watched[joint] = evaluate(
            self._watch[joint], self._watched[joint], readings, now_ns=now_ns
        )
        for change in changes:
            limit = self._limits.by_name(change.limit)
            assert limit is not None, "the plan was made of them"
            self._said(change, change_sentence(change, limit))
        if joint in self._torque:
            self._torque[joint].add_readings(readings)
        self._on_readings(readings)

    def _follow_position(self, readings: ReadingBatch) -> None:
        """Say where a position goes on in a new segment: never continued in silence."""
        joint = readings.joint
        told = np.flatnonzero(readings.position_segment >= 0)
        if len(told) == 0:
            return
        before = self._segment.get(joint)
        newest = told[-1]
        latest = (int(readings.time_ns[newest]), int(readings.position_segment[newest]))
        if before is not None and latest[1] == before[1]:
            # Segments only ever count up: none began in between.
            self._segment[joint] = latest
            return
        times, segments = readings.time_ns[told], readings.position_segment[told]
        if before is not None:
            times = np.append(np.int64(before[0]), times)
            segments = np.append(np.int32(before[1]), segments)
        for place in np.flatnonzero(np.diff(segments)):
            silent_s = float(times[place + 1] - times[place]) * 1e-9
            self.say(
                "position lost",
                time_ns=int(times[place + 1]),
                joint=joint,
                duration_s=silent_s,
                text=f"{joint}: after {silent_s:.2f} s without a reading the encoder's turns are "
                "not known; position goes on in a new segment.",
            )
        self._segment[joint] = latest

    def _close_own(self, joint: str, limit: str, time_ns: int) -> None:
        alert = self._start.open_alerts[(joint, limit)]
        self.say(
            "returned",
            time_ns=time_ns,
            joint=joint,
            limit=limit,
            severity=alert.severity,
            alert=self._open.pop((joint, limit)),
            value=alert.peak,
            text="A new recorder watches this anew.",
        )

    def say_lost(self, count: int, *, time_ns: int, bus: str | int, cause: str) -> None:
        """Make an event of frames that were lost."""
        self.lost += count
        frames = f"{count} frame{' was' if count == 1 else 's were'}"
        self.say(
            "dropped",
            time_ns=time_ns,
            value=float(count),
            text=f"{frames} lost on the bus {bus}: {cause}",
        )

    def raise_own(self, limit: str, *, time_ns: int, text: str, joint: str = "") -> None:
        """Raise an alert of the recorder's own, which stands until it is acknowledged."""
        change = one_shot_trip(limit, time_ns=time_ns, joint=joint)
        self._said(change, text)
        self._own[self._open[(joint, limit)]] = change

    def _tell(self, notice: Notice) -> None:
        self.say(
            notice.kind,
            time_ns=notice.time_ns,
            joint=notice.joint,
            channel=notice.channel,
            value=notice.value,
            text=notice.text,
        )

    def tell_rest(self, time_ns: int) -> None:
        """Say how much of what joints said in words was not told one by one."""
        for said in self._outspoken.take_summaries(time_ns, is_end=True):
            self._tell(said)

    def end(self, time_ns: int, *, cause: str) -> None:
        """Say that recording ends; the recorder's own alerts return, since nobody watches."""
        self.tell_rest(time_ns)
        for number in list(self._own):
            self._return_own(number, time_ns, "The recording ends.")
        self.say("ended", time_ns=time_ns, text=f"Recording ended: {cause}.")

    def _return_own(self, number: int, time_ns: int, text: str) -> None:
        change = self._own.pop(number)
        self.say(
            "returned",
            time_ns=time_ns,
            joint=change.joint,
            limit=change.limit,
            severity=change.severity,
            alert=number,
            text=text,
        )

    def _said(self, change: LimitChange, text: str) -> None:
        key = (change.joint, change.limit)
        if change.kind == "raised":
            self._alerts += 1
            self._open[key] = self._alerts
        self.say(
            change.kind,
            time_ns=change.time_ns,
            joint=change.joint,
            limit=change.limit,
            severity=change.severity,
            alert=self._open.get(key, 0),
            channel=change.channel,
            value=change.value if change.kind == "raised" else change.peak,
            duration_s=(change.time_ns - change.onset_ns) * 1e-9
            if change.kind == "raised"
            else math.nan,
            text=text,
        )

    def say(
        self,
        kind: str,
        *,
        time_ns: int,
        text: str,
        joint: str = "",
        limit: str = "",
        severity: str = "",
        alert: int = 0,
        channel: str = "",
        value: float = math.nan,
        duration_s: float = math.nan,
        who: str = "",
    ) -> None:
        """Make an event, next in the sequence."""
        self._put(
            Event(
                sequence=self._sequence,
                time_ns=time_ns,
                kind=kind,
                joint=joint,
                limit=limit,
                severity=severity,
                alert=alert,
                channel=channel,
                value=value,
                text=text,
                who=who,
                duration_s=duration_s,
            )
        )

    def ask(self, request: EventRequest, *, time_ns: int) -> None:
        """Make an event of a request from the inbox."""
        self._put(to_event(request, sequence=self._sequence, time_ns=time_ns))
        if request.kind == "acknowledge" and request.alert in self._own:
            self._return_own(request.alert, time_ns, "Acknowledged: it is taken note of.")

    def _put(self, event: Event) -> None:
        self._sequence += 1
        self._writer.append_events([event])
        self._on_event(event)

    def _each_second(self, now_ns: int, vitals: Vitals) -> None:
        marks = second_marks(self._second_ns, now_ns)
        mark_ns = int(marks[-1])
        self._second_ns = mark_ns + BASE_NS
        self._writer.append_rows(
            "health",
            table_of_rows(
                [
                    {
                        "time": mark,
                        "frames_per_s": frames_per_s,
                        "bus_load": None if math.isnan(vitals.bus_load) else vitals.bus_load,
                        "dropped": self.lost,
                        "undecoded": self.undecoded + vitals.garbled,
                        "disk_left_h": None
                        if math.isnan(vitals.disk_left_h)
                        else vitals.disk_left_h,
                    }
                    for mark, frames_per_s in zip(
                        marks.tolist(), self._frames.counts_at(marks), strict=True
                    )
                ],
                HEALTH_SCHEMA,
            ),
        )
        self._each_bus(mark_ns, vitals)
        for said in self._outspoken.take_summaries(now_ns):
            self._tell(said)
        mine = self._limits.recorder_limits
        seen = RecorderSample(
            now_ns=now_ns,
            lost=self.lost,
            disk_left_h=vitals.disk_left_h,
            load=vitals.bus_load,
            error_frames=vitals.error_frames,
        )
        changes, self._recorder = evaluate_recorder(self._recorder, seen, mine)
        named = {limit.name: limit for limit in mine}
        for change in changes:
            self._said(change, change_sentence(change, named[change.limit]))
        for joint, torque in self._torque.items():
            rows = [
                {"time": mark, "torque_rms_60s_Nm": None if math.isnan(rms) else rms}
                for mark, rms in zip(marks.tolist(), torque.rms_at(marks).tolist(), strict=True)
            ]
            self._writer.append_rows(derived_stream(joint), table_of_rows(rows, DERIVED_SCHEMA))

    def _each_bus(self, mark_ns: int, vitals: Vitals) -> None:
        rows: list[dict[str, object]] = [
            {
                "time": mark_ns,
                "bus": place,
                "frames_per_s": bus.second.frames_per_s,
                "load": None if math.isnan(bus.second.load) else bus.second.load,
                "error_frames": bus.second.error_frames,
                "remote_frames": bus.second.remote_frames,
                "lost": bus.lost,
                "garbled": bus.garbled,
                "unanswered": bus.unanswered,
            }
            for place, bus in enumerate(vitals.buses)
        ]
        if rows:
            self._writer.append_rows("buses", table_of_rows(rows, BUS_SCHEMA))
