"""A joint that follows a plan, recorded in batches of any size, with restarts between them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Final

import numpy as np

from logger.campaign.plan import parse_plan
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.limits.limit import LimitSet
from logger.recording.campaign_rows import CampaignRows
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.recording.resume import resume_point
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording
from tests.logger.campaign.pick_and_place import RATE_HZ, START_NS, S, course, readings
from tests.support.one_joint import one_joint_bench

__all__ = ["BENCH", "END_NS", "PLAN", "ROWS", "Missing", "Why", "record_campaign", "steady_rows"]

LAYOUT: Final = """
[[frame]]
name = "s"
identifier = 0x10
length = 8
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 16
signed = true
scale = 0.001
[[frame.value]]
channel = "speed_rad_s"
byte = 2
bits = 16
signed = true
scale = 0.01
[[frame.value]]
channel = "torque_Nm"
byte = 4
bits = 16
signed = true
scale = 0.01
[[frame.value]]
channel = "temperature_housing_degC"
byte = 6
bits = 16
signed = true
scale = 0.1
"""
BENCH: Final = one_joint_bench(LAYOUT)
PLAN: Final = """
format = 1
name = "Gear endurance"
[[stage]]
name = "run in"
cycles = 10
[[stage]]
name = "load"
duration_s = 60
watch = ["rms_torque_Nm"]
[[stage]]
name = "until somebody says"
until = { note = "enough" }
[[stage]]
name = "last"
cycles = 1000
"""


def _rows(cycles: int = 60) -> ReadingBatch:
    """Return cycles with a stop of eight minutes within one, and turns that were lost."""
    moving = course("one peak", cycles)
    stop = round(41.6 * RATE_HZ * 4.0)
    position = np.concatenate([moving[:stop], np.full(24000, moving[stop]), moving[stop:]])
    segment = np.zeros(len(position), np.int32)
    lost = stop + 24000 + 905
    segment[lost:] = 1
    made = readings(np.where(segment > 0, position + 50.0, position), segment=segment)
    columns = {name: values for name, values in made.columns.items() if name != "current_A"}
    return ReadingBatch(joint="a", time_ns=made.time_ns, position_segment=segment, columns=columns)


def steady_rows(cycles: int) -> ReadingBatch:
    """Return so many cycles with nothing between them."""
    made = readings(course("one peak", cycles))
    columns = {name: values for name, values in made.columns.items() if name != "current_A"}
    return replace(made, columns=columns)


ROWS: Final = _rows()
END_NS: Final = int(ROWS.time_ns[-1]) + S


class Why(StrEnum):
    """Why rows were not recorded."""

    ENDED = "the recorder ended and went on"
    KILLED = "it was killed and went on"
    STANDSTILL = "it stood still"
    LOST = "frames were lost"
    LATE = "they were late, and nobody knows of it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """Rows that were not recorded, from a place on."""

    row: int
    count: int = 0
    why: Why
    kept: int = 0
    """Rows behind these that the system kept while the recorder stood still."""


def _frames_of(rows: ReadingBatch) -> FrameBatch:
    """Return the frames that the layout makes such readings of."""
    scales = {"position_rad": 1e3, "speed_rad_s": 1e2, "torque_Nm": 1e2}
    columns = [np.rint(rows.columns[name] * scale) for name, scale in scales.items()]
    columns.append(np.full(len(rows), 400.0))
    values = np.stack(columns, axis=1).astype("<i2")
    return FrameBatch.from_rows(
        [
            (time_ns, 0x10, 0, payload.tobytes())
            for time_ns, payload in zip(rows.time_ns.tolist(), values, strict=True)
        ]
    )


def record_campaign(
    path: Path,
    cuts: Sequence[int],
    *,
    restarts: Sequence[int] = (),
    kills: Sequence[int] = (),
    missing: Sequence[Missing] = (),
    rows: ReadingBatch = ROWS,
    as_frames: bool = False,
) -> Recording:
    """Record rows in batches that end at these places; at some the recorder ends, or is killed.

    What a killed one leaves is its journal: nothing is finished, sealed or said.
    """
    plan = parse_plan(PLAN, "plan.toml")
    manifest = new_manifest(BENCH, name="made", started_ns=START_NS, plan=PLAN)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0)
    events = EventLog(BENCH, writer)
    campaign = CampaignRows(plan, BENCH, start_ns=START_NS)
    pipeline = Pipeline(BENCH, LimitSet(), writer, events, start_ns=START_NS, campaign=campaign)
    at = {one.row: one for one in missing}
    at |= {row: Missing(row=row, why=Why.ENDED) for row in restarts}
    at |= {row: Missing(row=row, why=Why.KILLED) for row in kills}
    first, now_ns, end_ns = 0, START_NS, int(rows.time_ns[-1]) + S
    for last in sorted({*cuts, *at, len(rows)}):
        if last < first:
            continue  # it was not recorded
        if last > first:
            batch = rows.select_rows(slice(first, last))
            now_ns = int(batch.time_ns[-1]) + 1
            if as_frames:
                pipeline.process(_frames_of(batch), now_ns=now_ns)
            else:
                pipeline.process_readings(batch, now_ns=now_ns)
            pipeline.record_seconds(now_ns)
        if (one := at.get(last)) is None:
            first = last
            continue
        first = min(last + one.count, len(rows))
        next_ns = int(rows.time_ns[first]) if one.count and first < len(rows) else now_ns
        if one.why is Why.STANDSTILL:
            next_ns = int(rows.time_ns[first + one.kept])
            events.emit(
                EventKind.STANDSTILL,
                time_ns=next_ns,
                bus=0,
                duration_s=(next_ns - now_ns) / S,
                text="made",
            )
        elif one.why is Why.LOST:
            pipeline.emit_frame_loss(
                max(one.count, 1),
                since_ns=now_ns,
                time_ns=max(now_ns, next_ns - 1),
                bus=0,
                cause="made",
            )
        elif one.why is not Why.LATE:
            if one.why is Why.KILLED:
                writer.abandon()
            else:
                pipeline.finish(now_ns)
                writer.close(ended_ns=now_ns, cause="test")
            start, now_ns = resume_point(path), next_ns
            clock = ClockAnchor(boottime_ns=0, wall_ns=now_ns)
            writer = RecordingWriter.resume(path, BENCH, clock=clock, now_s=0.0)
            events = EventLog(BENCH, writer, start=start)
            campaign = CampaignRows(plan, BENCH, start_ns=now_ns, start=start.campaign)
            pipeline = Pipeline(
                BENCH, LimitSet(), writer, events, start_ns=now_ns, start=start, campaign=campaign
            )
            events.begin(now_ns)
    pipeline.finish(end_ns)
    writer.close(ended_ns=end_ns, cause="test")
    return Recording.open(path)
