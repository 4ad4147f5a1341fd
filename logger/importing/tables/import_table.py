"""A table of values as a recording of its own, like any other but that it has no frames.

The bench that is kept in it is the bench file with what was found out on the way: how long the
values of each column hold. Limits are evaluated over its rows as they are over frames. The
recording appears when it is whole.
"""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from logger.cancellation import raise_if_stopped
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.importing.prefetch import prefetch_batches
from logger.importing.tables.value_table import ValueTable
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench, TableJoint, bench_from_texts
from logger.joint.channels import channel_named
from logger.limits.limit import LimitSet
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.settings_file import read_toml
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import new_manifest
from logger.store.layout.request import MAX_REQUEST_TEXT
from logger.store.writing.bulk_writer import BulkWriter, discard_on_failure

__all__ = ["TableImport", "import_table", "table_bench", "value_table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TableImport:
    """The content of a recording that was made of a table."""

    path: Path
    rows: int
    """Rows of the table."""
    readings: dict[str, int]
    """Joint -> rows of the recording."""
    unread: list[dict[str, Any]]
    """What could not be read, by column: see `ValueTable.unread`."""
    remarks: list[str]
    """The same and what could not be checked, in sentences."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object, the answer of `dutytrace import TABLE --json`."""
        return {
            "recording": str(self.path),
            "joints": {joint: {"rows": rows} for joint, rows in self.readings.items()},
            "rows": self.rows,
            "unread": self.unread,
            "said": self.remarks,
        }


def table_bench(
    text: str,
    changes: Mapping[str, Any],
    joints: Mapping[str, Mapping[str, str]],
    where: str,
    *,
    hold_s: float | None = None,
) -> Bench:
    """Return the bench of a bench text, "" for none, with what was stated beside it.

    Parameters
    ----------
    changes
        Keys of its `[table]` with other values.
    joints
        Joint -> channel -> column; one that the bench has not yet is added to it.
    hold_s
        How long the values of all joints hold; None: as they say.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    read_toml(text, where)  # its own sentence for a text that is no TOML
    document = tomlkit.parse(text)
    if changes or "table" not in document:
        document.setdefault("table", tomlkit.table()).update(changes)
    if joints:
        tables = document.setdefault("joint", tomlkit.aot())
        for name, columns in joints.items():
            table = next((one for one in tables if one.get("name") == name), None)
            if table is None:
                table = tomlkit.table()
                table["name"] = name
                tables.append(table)
            table.setdefault("column", tomlkit.table()).update(columns)
    if hold_s is not None:
        for table in document.get("joint", []):
            table["hold_s"] = hold_s
    return bench_from_texts(tomlkit.dumps(document), {}, where=where)


def value_table(bench: Bench, path: Path, *, start_ns: int | None = None) -> ValueTable:
    """Return the table at `path`, read as a bench says; `start_ns`: when its first row was."""
    assert bench.table is not None, "`table_bench` makes one"
    return ValueTable(
        path=path,
        settings=bench.table,
        columns={
            joint.name: joint.column for joint in bench.joints if isinstance(joint, TableJoint)
        },
        start_ns=start_ns,
        where="column",
    )


def import_table(
    table: ValueTable,
    *,
    bench: Bench,
    limits: LimitSet,
    out: Callable[[int], Path],
    name: str,
    note: str = "",
    progress: Callable[[int], None] = lambda _rows: None,
    stop: threading.Event | None = None,
) -> TableImport:
    """Make a recording of a table.

    Parameters
    ----------
    bench
        Of the table; joints that do not say how long their values hold get it from its first rows.
    out
        Returns the new recording's folder for the time of its first row.
    progress
        Called with the number of rows that were read.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        The folder exists or cannot be made, or the table cannot be read; nothing was made.
    OutsideFault
        The disk took no more, or it was stopped; nothing was left behind.
    """
    bench = _with_holds(bench, table)
    with prefetch_batches(table) as blocks:
        first = next(blocks, None)
        while first is not None and not any(len(batch) for batch in first):
            first = next(blocks, None)
        if first is None:
            raise InputError(f"{table.path}: found no row with a time and a value.")
        start_ns = min(int(batch.time_ns[0]) for batch in first if len(batch))
        path = out(start_ns)
        manifest = new_manifest(
            bench, name=name, note=note, started_ns=start_ns, simulated=False, limits=limits
        )
        writer = BulkWriter(path, manifest, bench)
        with discard_on_failure(writer):
            events = EventLog(bench, writer)
            pipeline = Pipeline(bench, limits, writer, events, start_ns=start_ns)
            rows = _RowSink(bench, pipeline, events)
            events.begin(start_ns, note=note)
            rows.take(first)
            for block in blocks:
                raise_if_stopped(stop, path)
                rows.take(block)
                writer.tick()
                progress(table.row_count)
            end_ns = rows.newest_ns + 1
            if sentences := table.sentences():
                text = f"{table.path.name}: {' '.join(sentences)}"[:MAX_REQUEST_TEXT]
                events.emit(EventKind.NOTE, time_ns=end_ns, text=text)
            events.emit(EventKind.ENDED, time_ns=end_ns, text="Recording ended.")
            raise_if_stopped(stop, path)
            writer.close(ended_ns=end_ns, cause="end of the table")
    return TableImport(
        path=path,
        rows=table.row_count,
        readings={
            joint.name: writer.row_count(status_stream(joint.name)) for joint in bench.joints
        },
        unread=table.unread(),
        remarks=[*table.sentences(), *rows.remarks],
    )


def _with_holds(bench: Bench, table: ValueTable) -> Bench:
    """Return the bench whose joints all say how long their values hold."""
    joints = [joint for joint in bench.joints if isinstance(joint, TableJoint)]
    if all(joint.hold_s is not None for joint in joints):
        return bench
    holds = table.hold_times_s()
    document = tomlkit.parse(bench.text)
    for joint, written in zip(joints, document["joint"], strict=True):
        if joint.hold_s is None:
            its = holds.get(joint.name, {})
            same = set(its.values())
            written["hold_s"] = same.pop() if len(same) == 1 else _inline(its)
    return bench_from_texts(tomlkit.dumps(document), {}, where=str(table.path))


def _inline(values: Mapping[str, float]) -> "tomlkit.items.InlineTable":
    made = tomlkit.inline_table()
    made.update(values)
    return made


class _RowSink:
    """Takes blocks of readings in order of time."""

    def __init__(self, bench: Bench, pipeline: Pipeline, events: EventLog) -> None:
        self._pipeline, self._events = pipeline, events
        self._per_ampere = {
            joint.name: joint.torque.per_ampere
            for joint in bench.joints
            if joint.torque is not None and bench.derives_torque(joint)
        }
        self._reported: set[tuple[str, str]] = set()
        self.newest_ns = 0
        self.remarks: list[str] = []

    def take(self, block: tuple[ReadingBatch, ...]) -> None:
        """Store and evaluate a block."""
        ends_ns = [int(batch.time_ns[-1]) for batch in block if len(batch)]
        self.newest_ns = max([self.newest_ns, *ends_ns]) if ends_ns else self.newest_ns
        for batch in block:
            complete = self._with_torque(batch)
            self._report_strange(complete)
            self._pipeline.process_readings(complete, now_ns=self.newest_ns)

    def _with_torque(self, batch: ReadingBatch) -> ReadingBatch:
        per_ampere = self._per_ampere.get(batch.joint)
        if per_ampere is None:
            return batch
        torque = batch.columns["current_A"] * per_ampere
        return replace(batch, columns={**batch.columns, "torque_Nm": torque})

    def _report_strange(self, batch: ReadingBatch) -> None:
        """Tell once of each channel that a value lies outside of what is sane; it is stored."""
        for name, values in batch.columns.items():
            valid = channel_named(name)
            if (batch.joint, name) in self._reported:
                continue
            outside = np.flatnonzero((values < valid.lowest) | (values > valid.highest))
            if len(outside) == 0:
                continue
            self._reported.add((batch.joint, name))
            row = int(outside[0])
            text = (
                f"{batch.joint}: {name} of {values[row]:.6g} lies outside {valid.lowest:g} to "
                f"{valid.highest:g}. It is stored unchanged; compare the column and its unit."
            )
            self.remarks.append(text)
            self._events.emit(
                EventKind.STRANGE_VALUE,
                time_ns=int(batch.time_ns[row]),
                joint=batch.joint,
                channel=name,
                value=float(values[row]),
                text=text,
            )
