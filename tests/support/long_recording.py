"""A recording of months as a recorder leaves it, made in minutes of processor time; by hand.

    python -m tests.support.long_recording OUT [--days 90] [--fast-days 90] [--frames-days 7]

Six hours of the two simulated joints at 100 Hz go through decoder, limits and a plan that is
followed; their rows are then sealed again and again, later by six hours each time, by the store's
own sealer in parts of ten minutes: every part, bucket and checksum is made anew, rows, cycles,
events and alerts are numbered on. Six hours repeat, so what the figures say means nothing; what
opening, looking and memory cost does. Raw frames are those that a keep rule would leave. Where
time is short the days before the last `--fast-days` come at 10 Hz: as many parts, fewer rows.
Streams other than readings and their overviews come in parts of six hours.
"""

import argparse
import os
import signal
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Final
from unittest.mock import patch

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from logger.campaign.plan import parse_plan
from logger.event_kind import EventKind
from logger.limits.limit import parse_limits
from logger.recording.campaign_rows import CampaignRows
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.files import LOCK_FILE
from logger.store.layout.frames_let_go import FramesLetGo
from logger.store.layout.manifest import new_manifest, write_manifest
from logger.store.pyramid.upper import consolidate_levels
from logger.store.writing import sealer
from logger.store.writing.row_writer import RowWriter

__all__ = ["make_long_recording"]

S: Final = 1_000_000_000
PART_NS: Final = 600 * S
HOURS: Final = 6
RUN_NS: Final = HOURS * 3600 * S
RATE_HZ: Final = 100.0
SLOW_HZ: Final = 10.0
"""The bench is that of the slower rate: what holds so long holds at the faster."""
ONCE: Final = {
    str(kind) for kind in (EventKind.STARTED, EventKind.STAGE_BEGUN, EventKind.POSITION_LOST)
}
NUMBERED: Final = ("sequence", "alert", "cycle", "cycles", "stage_cycles", "first_cycle")
PLAN: Final = """
format = 1
name = "Gear endurance, shoulder"
joint = "shoulder"
keep = {{ frames_days = {frames_days} }}
[[stage]]
name = "load"
cycles = 10_000_000
watch = ["rms_torque_Nm", "peak_temperature_degC", "cycle_time_s"]
"""


class _KeptRows(RowWriter):
    """Keeps what a pipeline writes."""

    def __init__(self, *settings: object) -> None:
        super().__init__(*settings)  # type: ignore[arg-type]
        self.batches: dict[str, list[pa.RecordBatch]] = {}

    def _store_rows(self, stream: str, first_row: int, batch: pa.RecordBatch) -> None:
        self.batches.setdefault(stream, []).append(batch)

    def tables(self) -> dict[str, pa.Table]:
        """Return the rows of each stream in one piece."""
        return {
            stream: pa.Table.from_batches(batches).combine_chunks()
            for stream, batches in self.batches.items()
        }


def _run(
    start_ns: int,
    plan_text: str,
    rate_Hz: float,  # noqa: N803 - the Hz is a unit's
) -> dict[str, pa.Table]:
    """Return the rows of six hours, by stream."""
    bench = scenario.scenario_bench(channel="simulated", rate_Hz=SLOW_HZ)
    writer = _KeptRows(bench)
    events = EventLog(bench, writer)
    campaign = CampaignRows(parse_plan(plan_text, "plan.toml"), bench, start_ns=start_ns)
    limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
    pipeline = Pipeline(bench, limits, writer, events, start_ns=start_ns, campaign=campaign)
    events.begin(start_ns)
    for batch in simulate_frames(hours=HOURS, rate_Hz=rate_Hz, start_ns=start_ns):
        now_ns = int(batch.time_ns[-1]) + 1
        pipeline.process(batch, now_ns=now_ns)
        pipeline.record_seconds(now_ns)
    return writer.tables()


def _shifted(
    table: pa.Table, run: int, counts: dict[str, int], dice: np.random.Generator
) -> pa.Table:
    """Return rows later by `run` times six hours, numbered on; a slow wander on the figures."""
    columns = []
    for field, column in zip(table.schema, table.columns, strict=True):
        moved = column
        if pa.types.is_timestamp(field.type):
            moved = pc.add(column.cast(pa.int64()), run * RUN_NS).cast(field.type)
        elif field.name in NUMBERED and counts.get(field.name):
            on = pc.add(column, counts[field.name] * run)
            moved = pc.if_else(pc.greater(column, 0), on, column)
        elif "cycle" in table.column_names and field.name in {"rms_torque_Nm", "friction_Nm"}:
            moved = pc.multiply(column, 1.0 + 0.004 * float(dice.normal()))
        columns.append(moved)
    return pa.Table.from_arrays(columns, schema=table.schema)


def _numbers(tables: dict[str, pa.Table]) -> dict[str, int]:
    """Return how far each number goes in one run."""
    most: dict[str, int] = {}
    for table in tables.values():
        for name in set(NUMBERED) & set(table.column_names):
            most[name] = max(most.get(name, 0), pc.max(table[name]).as_py() or 0)
    cycles = most.get("cycle", 0)
    return most | dict.fromkeys(("cycles", "stage_cycles", "first_cycle"), cycles)


def _slots(table: pa.Table, begin_ns: int) -> Iterator[pa.Table]:
    """Yield the rows of each ten minutes."""
    time_ns = table["time"].cast(pa.int64()).to_numpy()
    edges = begin_ns + PART_NS * np.arange(1, RUN_NS // PART_NS)
    places = [0, *time_ns.searchsorted(edges).tolist(), len(time_ns)]
    for first, last in pairwise(places):
        yield table.slice(first, last - first)


def make_long_recording(out: Path, *, days: int, fast_days: int, frames_days: int) -> None:
    """Make the recording; it ends about now."""
    runs = days * 24 // HOURS
    start_ns = (time.time_ns() - runs * RUN_NS) // S * S
    plan_text = PLAN.format(frames_days=frames_days)
    fast_from = runs - fast_days * 24 // HOURS
    base = _run(start_ns, plan_text, SLOW_HZ if fast_from else RATE_HZ)
    numbers = _numbers(base)
    bench = scenario.scenario_bench(channel="simulated", rate_Hz=SLOW_HZ)
    limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
    manifest = new_manifest(
        bench,
        name="Ninety days",
        started_ns=start_ns,
        limits=limits,
        simulated=True,
        plan=plan_text,
    )
    out.mkdir(parents=True)
    (out / LOCK_FILE).touch()
    write_manifest(out, manifest)
    parts = sealer.Sealer(out, bench, recording_id=manifest.recording_id)
    rows = dict.fromkeys(base, 0)
    dice = np.random.default_rng(5)
    frames_from = runs - frames_days * 24 // HOURS
    let_go_ns = start_ns
    stopped: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _frame: stopped.append(number))
    for run in range(runs):
        if stopped:
            runs = run
            break
        if run and run == fast_from:
            base = _run(start_ns, plan_text, RATE_HZ)
            numbers = {name: max(most, numbers[name]) for name, most in _numbers(base).items()}
        shifted = {
            stream: _shifted(table, run, numbers, dice) if run else table
            for stream, table in base.items()
            if stream != "frames" or run >= frames_from
        }
        if run < frames_from:
            rows["frames"] += base["frames"].num_rows
            let_go_ns, let_go_row = start_ns + (run + 1) * RUN_NS - 1, rows["frames"]
        if run:
            kept = pc.invert(pc.is_in(shifted["events"]["kind"], pa.array(sorted(ONCE))))
            shifted["events"] = shifted["events"].filter(kept)
        slots = {
            stream: list(_slots(table, start_ns + run * RUN_NS))
            if stream.startswith("status")
            else [table]
            for stream, table in shifted.items()
        }
        for slot in range(RUN_NS // PART_NS):
            due = {}
            for stream, tables in slots.items():
                if len(tables) == 1 and slot:
                    continue
                table = tables[slot].combine_chunks()
                if table.num_rows:
                    first_row, rows[stream] = rows[stream], rows[stream] + table.num_rows
                    due[stream] = [(first_row, table.to_batches()[0])]
            # The upper levels are looked for once in six hours: each look lists every part.
            is_last = slot == RUN_NS // PART_NS - 1
            with patch.object(sealer, "consolidate_levels", consolidate_levels if is_last else _no):
                parts.seal_rows(due)
        print(f"{(run + 1) / runs:.3f} {time.process_time():.0f} s", flush=True)  # noqa: T201
    end_ns = start_ns + runs * RUN_NS
    parts.seal_rows({}, until_ns=end_ns)
    gone: tuple[FramesLetGo, ...] = ()
    if let_go_ns > start_ns:
        gone = (FramesLetGo(from_ns=start_ns, to_ns=let_go_ns, first_row=0, end_row=let_go_row),)
    write_manifest(
        out,
        manifest.model_copy(
            update={"ended_ns": end_ns, "end_cause": "made", "rows": rows, "frames_let_go": gone}
        ),
    )


def _no(*_settings: object, **_named: object) -> None:
    """Do nothing."""


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--fast-days", type=int, default=90)
    parser.add_argument("--frames-days", type=int, default=7)
    asked = parser.parse_args()
    # Nobody needs it after a power cut: the disk is not waited for.
    with patch.object(os, "fsync", _no):
        make_long_recording(
            asked.out, days=asked.days, fast_days=asked.fast_days, frames_days=asked.frames_days
        )
