"""Cuts a span out of a recording, as a recording of its own.

Rows of every stream in [from, to) are copied unchanged, bench, layouts, limits and the findings
that stand on the span verbatim, and the pyramid is computed as for any recording. So that
statistics of the span equal those of the original, everything that still holds where the cut begins
is copied too, with its own, earlier time: the newest reading of each channel, and the events of
alerts that are active (or that later events refer to). The original, live or finished, is only
read; the cut appears whole or not at all.
"""

import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from logger.cancellation import raise_if_stopped
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.store.layout.events import Event
from logger.store.layout.files import real_path, status_stream
from logger.store.layout.frames_let_go import frames_lost_in
from logger.store.layout.manifest import (
    END_CUT_SHORT,
    CutFrom,
    LimitsRevision,
    Manifest,
    iso_utc,
    new_recording_id,
    package_versions,
)
from logger.store.layout.older_events import events_of
from logger.store.layout.schema import readings_from_table
from logger.store.pyramid.seconds import gap_limit_ns
from logger.store.reading.attachments import attachments_of_span
from logger.store.reading.findings import findings_of_span
from logger.store.reading.reader import RecordingReader
from logger.store.reading.salvage import RowChunk, chunk_rows, row_chunks
from logger.store.tools.cut_events import events_of_cut
from logger.store.writing.bulk_writer import BULK_PART_ROWS, BulkWriter, discard_on_failure

__all__ = ["CutResult", "copy_span", "new_cut_folder"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CutResult:
    """The content of a cut."""

    path: Path
    name: str
    start_ns: int
    end_ns: int
    frames: int
    readings: dict[str, int]
    """Joint -> rows within the span."""
    open_alerts: int
    """Alerts that were active where it begins."""
    missing: tuple[str, ...]
    """What of the span could not be read, in sentences; empty for a whole cut."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object, the answer of `dutytrace cut --json`."""
        return {
            "recording": str(self.path),
            "start": iso_utc(self.start_ns),
            "duration_s": (self.end_ns - self.start_ns) * 1e-9,
            "joints": {joint: {"rows": rows} for joint, rows in self.readings.items()},
            "frames": self.frames,
            "standing": self.open_alerts,
            "missing": list(self.missing),
        }


def new_cut_folder(recordings: Path, start_ns: int, name: str) -> Path:
    """Return a folder for a cut that does not exist yet, named by its start and its name."""
    stamp = datetime.fromtimestamp(start_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
    slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:48] or "cut"
    path, suffix_number = recordings / f"{stamp}-{slug}", 2
    while path.exists():
        path, suffix_number = recordings / f"{stamp}-{slug}-{suffix_number}", suffix_number + 1
    return path


def copy_span(
    recording: Path,
    *,
    out: Path | None = None,
    start_ns: int | None = None,
    end_ns: int | None = None,
    name: str = "",
    part_rows: int = BULK_PART_ROWS,
    progress: Callable[[float], None] = lambda _share: None,
    stop: threading.Event | None = None,
) -> CutResult:
    """Make a recording of [start_ns, end_ns) of another one.

    Parameters
    ----------
    out
        The new folder; None: next to the original, named by its start and its name.
    start_ns, end_ns
        None: the recording's start, its end (of a live one its newest row). Limited to the span of
        the recording.
    name
        Name of the new one; empty: after the original.
    part_rows
        Rows in memory before they become parts.
    progress
        Called with the share that is done, 0 to 1.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        It is no recording, the span lies outside it or is empty, or `out` exists; nothing was made.
    OutsideFault
        The disk took no more, or it was stopped; nothing was left behind.
    """
    reader = RecordingReader(recording)
    begin_ns, until_ns = _cut_span(reader, start_ns, end_ns)
    source_manifest = reader.manifest
    source = real_path(recording)
    cut_name = name.strip() or f"{source_manifest.name}, cut out"
    path = new_cut_folder(source.parent, begin_ns, cut_name) if out is None else out
    if real_path(path).is_relative_to(source):
        raise InputError(
            f"{path}: this lies within the recording {recording}, expected a folder outside of it."
        )
    cut = CutFrom(
        recording=source.name,
        name=source_manifest.name,
        started_ns=source_manifest.started_ns,
        from_ns=begin_ns,
        to_ns=until_ns,
        cut_ns=time.time_ns(),
    )
    writer = BulkWriter(
        path, _cut_manifest(source_manifest, cut, cut_name), reader.bench, part_rows=part_rows
    )
    with discard_on_failure(writer):
        return _SpanCopier(reader, writer, cut, progress=progress, stop=stop).copy_all()


def _cut_span(reader: RecordingReader, start_ns: int | None, end_ns: int | None) -> tuple[int, int]:
    recording_start = reader.manifest.started_ns
    recording_end = _recording_end_ns(reader)
    start, until = (
        recording_start if start_ns is None else start_ns,
        recording_end if end_ns is None else end_ns,
    )
    if until <= start and not (start_ns is None or end_ns is None):
        raise InputError("The span is empty: expected --from before --to.")
    if start >= recording_end or until <= recording_start:
        raise InputError(
            f"{reader.path}: found a span from {iso_utc(start)} to {iso_utc(until)}, expected one "
            f"within the recording: it holds {iso_utc(recording_start)} to "
            f"{iso_utc(recording_end)}."
        )
    return max(start, recording_start), min(until, recording_end)


def _recording_end_ns(reader: RecordingReader) -> int:
    """Return the end of a recording, or just after its newest row while it has no end."""
    if reader.manifest.ended_ns is not None:
        return reader.manifest.ended_ns
    spans = (reader.span_ns(stream) for stream in reader.schemas)
    return max((span[1] + 1 for span in spans if span), default=reader.manifest.started_ns)


def _cut_manifest(source_manifest: Manifest, cut: CutFrom, name: str) -> Manifest:
    """Return the manifest with which a cut begins; its limits are those in force at its start."""
    first, later = source_manifest.limits, []
    for revision in source_manifest.limits_taken:
        if revision.from_ns <= cut.from_ns:
            first = revision.text
        elif revision.from_ns < cut.to_ns:
            later.append(LimitsRevision(from_ns=revision.from_ns, text=revision.text))
    return source_manifest.model_copy(
        update={
            "recording_id": new_recording_id(),
            "name": name,
            "started_ns": cut.from_ns,
            "ended_ns": None,
            "end_cause": "",
            "rows": {},
            "missing": (),
            "cut_short": tuple(
                short
                for short in source_manifest.cut_short
                if cut.from_ns <= short.newest_ns < cut.to_ns
            ),
            "resumed": tuple(
                clock for clock in source_manifest.resumed if clock.wall_ns < cut.to_ns
            ),
            "limits": first,
            "limits_taken": tuple(later),
            "cut_from": (*source_manifest.cut_from, cut),
            "frames_let_go": frames_lost_in(source_manifest.frames_let_go, cut.from_ns, cut.to_ns),
            "written_by": package_versions(),
        }
    )


class _SpanCopier:
    """Copies one span, stream by stream."""

    def __init__(
        self,
        reader: RecordingReader,
        writer: BulkWriter,
        cut_from: CutFrom,
        *,
        progress: Callable[[float], None],
        stop: threading.Event | None,
    ) -> None:
        self._reader, self._writer, self._cut_from = reader, writer, cut_from
        self._progress, self._stop = progress, stop
        self._span = (cut_from.from_ns, cut_from.to_ns)
        self._to_the_end = cut_from.to_ns >= _recording_end_ns(reader)
        self._unreadable: list[str] = []
        self._chunks: dict[str, list[RowChunk]] = {}
        for stream in reader.schemas:
            self._chunks[stream], holes = row_chunks(reader, stream)
            # A lost event may concern any time; lost rows concern only their own.
            self._unreadable += [
                hole.text for hole in holes if stream == "events" or hole.may_overlap(*self._span)
            ]
        self._total_rows = sum(
            chunk.end_row - chunk.first_row
            for stream, chunks in self._chunks.items()
            for chunk in chunks
            if stream != "events"
            and chunk.last_ns >= cut_from.from_ns
            and chunk.first_ns < cut_from.to_ns
        )
        self._copied_rows = 0

    def copy_all(self) -> CutResult:
        """Copy all streams and close the new recording."""
        cut, writer = self._cut_from, self._writer
        rows = {stream: self._copy_stream(stream) for stream in self._chunks if stream != "events"}
        readings = {
            joint.name: rows[status_stream(joint.name)] for joint in self._reader.bench.joints
        }
        if not (rows["frames"] or any(readings.values())):
            raise InputError(
                f"{self._reader.path}: found no frame and no reading from {iso_utc(cut.from_ns)} "
                f"to {iso_utc(cut.to_ns)}, expected a span that holds some."
                f"{' ' if self._unreadable else ''}{' '.join(self._unreadable)}"
            )
        events, open_alerts = self._cut_events()
        writer.append_events(events)
        for finding_id, content in findings_of_span(self._reader.path, *self._span):
            writer.carry_finding(finding_id, content)
        for path in attachments_of_span(self._reader.path, *self._span):
            writer.carry_attachment(path)
        raise_if_stopped(self._stop, self._writer.path)
        writer.manifest = writer.manifest.model_copy(
            update={"missing": self._missing_sentences(events)}
        )
        writer.close(ended_ns=cut.to_ns, cause=self._end_cause())
        self._progress(1.0)
        return CutResult(
            path=writer.path,
            name=writer.manifest.name,
            start_ns=cut.from_ns,
            end_ns=cut.to_ns,
            frames=rows["frames"],
            readings=readings,
            open_alerts=open_alerts,
            missing=tuple(dict.fromkeys(self._unreadable)),
        )

    def _copy_stream(self, stream: str) -> int:
        """Copy a stream and return how many rows of it lie in the span."""
        if stream.startswith("status/"):
            self._append_table(stream, self._held_before_span(stream))
        count = 0
        for table in self._stream_rows(stream, *self._span, lost=self._unreadable.append):
            self._append_table(stream, table)
            raise_if_stopped(self._stop, self._writer.path)
            self._writer.tick()
            count += table.num_rows
            self._copied_rows += table.num_rows
            self._progress(min(self._copied_rows / max(self._total_rows, 1), 1.0))
        return count

    def _stream_rows(
        self, stream: str, start_ns: int, end_ns: int, *, lost: Callable[[str], object]
    ) -> Iterator[pa.Table]:
        return chunk_rows(
            self._chunks[stream],
            self._reader.schemas[stream],
            start_ns=start_ns,
            end_ns=end_ns,
            unreadable=lost,
        )

    def _append_table(self, stream: str, table: pa.Table) -> None:
        for batch in table.combine_chunks().to_batches():
            self._writer.append_rows(stream, batch)

    def _held_before_span(self, stream: str) -> pa.Table:
        """Return the joint's newest row before the span, and those that hold into it."""
        joint = next(
            candidate_joint
            for candidate_joint in self._reader.bench.joints
            if status_stream(candidate_joint.name) == stream
        )
        hold_ns = self._reader.bench.hold_times_ns_of(joint)
        start_ns = self._cut_from.from_ns
        held_tables = self._stream_rows(
            stream, start_ns - gap_limit_ns(hold_ns), start_ns, lost=lambda _text: None
        )
        table = pa.concat_tables([self._reader.schemas[stream].empty_table(), *held_tables])
        batch = readings_from_table(joint.name, table)
        kept_rows = {table.num_rows - 1} if table.num_rows else set()
        for channel, longest_ns in hold_ns.items():
            value_rows = np.flatnonzero(~np.isnan(batch.columns[channel]))
            if len(value_rows) and batch.time_ns[value_rows[-1]] + longest_ns > start_ns:
                kept_rows.add(int(value_rows[-1]))
        return table.take(pa.array(sorted(kept_rows), pa.int64()))

    def _cut_events(self) -> tuple[list[Event], int]:
        """Return the events of the cut in sequence, and how many alerts are open at its start."""
        cut = self._cut_from
        events = events_of(self._event_tables(), self._reader.bench)
        return events_of_cut(events, cut, to_the_end=self._to_the_end, live=self._reader.live)

    def _event_tables(self) -> list[pa.Table]:
        # All of them: events are in order of their sequence, not of their time.
        tables = []
        for chunk in self._chunks["events"]:
            try:
                tables.append(chunk.read_table())
            except InputError as fault:
                self._unreadable.append(str(fault))
        return tables

    def _missing_sentences(self, events: Sequence[Event]) -> tuple[str, ...]:
        """Return the sentences of recording.json about what is missing."""
        sentences = [
            f"Not in the recording that this was cut out of: {text}" for text in self._unreadable
        ]
        # A crash loses rows at an end: that of the recording, or that before a resume.
        if self._to_the_end or any(event.kind == EventKind.CONTINUED for event in events):
            sentences += self._reader.manifest.missing
        return tuple(dict.fromkeys(sentences))

    def _end_cause(self) -> str:
        old = self._reader.manifest
        if not self._to_the_end or self._reader.live:
            return "cut out"
        return old.end_cause or END_CUT_SHORT
