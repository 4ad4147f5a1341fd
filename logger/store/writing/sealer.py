"""Writes rows as parts, and the pyramid with them; the same for a live writer and after a crash.

A joint's part of the pyramid (overview) is written before the part of its rows (status): a status
part always has its overview, and an overview without its rows is ignored and written again.
"""

import logging
from collections.abc import Iterable, Mapping
from pathlib import Path

import pyarrow as pa

from logger.errors import InputError
from logger.joint.bench.bench import Bench
from logger.store.layout.files import overview_stream, status_stream
from logger.store.layout.schema import readings_from_table, status_schema, stream_schemas
from logger.store.parts.identity import PartOwner
from logger.store.parts.joined import is_joined, join_parts
from logger.store.parts.part import Part, list_parts
from logger.store.parts.part_writer import write_part
from logger.store.pyramid.seconds import (
    BASE_NS,
    PyramidCarry,
    add_rows,
    carry_from,
    overview_table,
)
from logger.store.pyramid.tenths import TENTH_NS, NewBuckets, add_rows_at_both_widths, tenths_table
from logger.store.pyramid.upper import consolidate_levels, level_parts, upper_level_stream

__all__ = ["Run", "Sealer", "write_base_levels"]

log = logging.getLogger(__name__)

Run = tuple[int, pa.RecordBatch]
"""Number of the first row, and the rows."""


class Sealer:
    """Writes the parts of one recording in order; owns the pyramid's carry from part to part."""

    def __init__(self, recording: Path, bench: Bench, *, recording_id: str) -> None:
        """Take the folder that parts are written to, and the id that they state."""
        self._recording = recording
        self._recording_id = recording_id
        self._hold_ns = {joint.name: bench.hold_times_ns_of(joint) for joint in bench.joints}
        self._joint_of = {status_stream(joint.name): joint.name for joint in bench.joints}
        self._carry = {joint.name: PyramidCarry() for joint in bench.joints}
        self._empty = status_schema(bench).empty_table()
        self._joined_streams = tuple(filter(is_joined, stream_schemas(bench)))

    def resume_carry(self) -> None:
        """Load the carry of each joint from its newest overview part that has its rows."""
        for stream, joint in self._joint_of.items():
            sealed = {part.end_row for part in list_parts(self._recording / stream)}
            for part in reversed(self._overview_parts(joint)):
                if part.end_row in sealed:
                    self._carry[joint] = carry_from(part.metadata)
                    break

    def reopen(self) -> None:
        """Prepare a recording that had ended to be resumed.

        The closing parts, which count the carried values up to the end, are removed: the next
        reading shows how long those values held.
        """
        for joint in self._carry:
            for part in self._overview_parts(joint):
                if part.first_row == part.end_row:
                    part.path.unlink()

    def _overview_parts(self, joint: str) -> list[Part]:
        return level_parts(self._recording, joint, BASE_NS, recording_id=self._recording_id)

    def seal_rows(self, rows: Mapping[str, Iterable[Run]], *, until_ns: int | None = None) -> None:
        """Write the rows of every stream as parts; `until_ns` ends the recording there.

        Raises
        ------
        OSError
            The disk took no more; parts that are there are whole.
        """
        for stream, runs in rows.items():
            for first_row, table in _join_contiguous(list(runs)):
                joint = self._joint_of.get(stream)
                if joint is not None:
                    self._seal_overview(joint, table, first_row)
                write_part(
                    self._recording / stream,
                    table,
                    first_row=first_row,
                    owner=PartOwner(self._recording_id, stream),
                )
        if until_ns is not None:
            for stream, joint in self._joint_of.items():
                self._close_overview(joint, stream, until_ns)
        for joint in self._carry:
            try:
                consolidate_levels(self._recording, joint, recording_id=self._recording_id)
            except (InputError, OSError) as fault:
                # Nothing depends on it: spans take more time to read, and the next call retries.
                log.warning("%s: the upper levels of %s wait (%s)", self._recording, joint, fault)
        for stream in self._joined_streams:
            try:
                join_parts(self._recording, stream, recording_id=self._recording_id)
            except (InputError, OSError) as fault:
                log.warning("%s: the copies of %s wait (%s)", self._recording, stream, fault)

    def _seal_overview(self, joint: str, table: pa.Table, first_row: int) -> None:
        new_buckets = add_rows_at_both_widths(
            self._carry[joint], readings_from_table(joint, table), hold_ns=self._hold_ns[joint]
        )
        self._carry[joint] = new_buckets.carry
        end_row = first_row + table.num_rows
        write_base_levels(
            self._recording,
            joint,
            new_buckets,
            first_row=first_row,
            end_row=end_row,
            recording_id=self._recording_id,
        )

    def _close_overview(self, joint: str, stream: str, until_ns: int) -> None:
        """Write the closing part, which counts the carried values up to the end."""
        carry = self._carry[joint]
        parts = list_parts(self._recording / stream)
        if carry.is_closed or not parts:
            return
        end = parts[-1].end_row
        empty = readings_from_table(joint, self._empty)
        buckets, carry = add_rows(carry, empty, hold_ns=self._hold_ns[joint], until_ns=until_ns)
        self._carry[joint] = carry
        overview = overview_stream(joint)
        write_part(
            self._recording / overview,
            overview_table(buckets, carry),
            first_row=end,
            end_row=end,
            owner=PartOwner(self._recording_id, overview),
        )


def write_base_levels(
    recording: Path,
    joint: str,
    new_buckets: NewBuckets,
    *,
    first_row: int,
    end_row: int,
    recording_id: str,
) -> None:
    """Write the buckets of some rows to the finest level and the first, named by those rows.

    The first level last: a part of it implies that the finest level has its part. `recording_id`:
    of recording.json, which the parts state.

    Raises
    ------
    OSError
        The disk took no more; what is there is whole.
    """
    levels = [(BASE_NS, overview_table(new_buckets.seconds, new_buckets.carry))]
    if new_buckets.tenths is not None:
        levels.insert(0, (TENTH_NS, tenths_table(new_buckets.tenths)))
    for width_ns, table in levels:
        stream = upper_level_stream(joint, width_ns)
        owner = PartOwner(recording_id, stream)
        write_part(recording / stream, table, first_row=first_row, end_row=end_row, owner=owner)


def _join_contiguous(runs: list[Run]) -> list[tuple[int, pa.Table]]:
    """Return (first row, table) for each group of runs that follow each other without a hole."""
    joined_runs: list[tuple[int, list[pa.RecordBatch]]] = []
    end = -1
    for first_row, batch in runs:
        if batch.num_rows == 0:
            continue
        if joined_runs and first_row == end:
            joined_runs[-1][1].append(batch)
        else:
            joined_runs.append((first_row, [batch]))
        end = first_row + batch.num_rows
    return [(first_row, pa.Table.from_batches(batches)) for first_row, batches in joined_runs]
