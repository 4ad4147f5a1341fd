"""A span of a recording cut out as a recording of its own.

Rows of every stream in [from, to) are taken as they are, bench, layouts and limits verbatim, and
the pyramid is made by the writer that makes it for all. So that the figures of the span are those
of the original, what still holds where the cut begins comes along with its own, earlier time: the
newest reading of each channel, and the events of alerts that stand (or that are spoken of later).
The original is only read, live or finished; the cut is there whole or not at all.
"""

import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa

from logger.errors import InputError, OutsideFault
from logger.store.layout.events import Event, events_from
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import (
    CUT_SHORT,
    CutFrom,
    LimitsTaken,
    Manifest,
    time_text,
    versions,
)
from logger.store.layout.schema import readings_from, shaped
from logger.store.pyramid.seconds import gap_limit_ns
from logger.store.reading.reader import RecordingReader
from logger.store.reading.salvage import Piece, pieces_of, rows_of_pieces
from logger.store.tools.cut_events import cut_events
from logger.store.writing.bulk_writer import PART_ROWS, BulkWriter

__all__ = ["CutOut", "cut_out", "folder_for"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOut:
    """What a cut came to hold."""

    path: Path
    name: str
    start_ns: int
    end_ns: int
    frames: int
    readings: dict[str, int]
    """Joint -> rows within the span."""
    standing: int
    """Alerts that stood where it begins."""
    missing: tuple[str, ...]
    """What of the span could not be read, in sentences; empty: all of it is there."""


def folder_for(recordings: Path, start_ns: int, name: str) -> Path:
    """Return a new folder for a cut, named by its beginning and its name."""
    stamp = datetime.fromtimestamp(start_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
    slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:48] or "cut"
    path, again = recordings / f"{stamp}-{slug}", 2
    while path.exists():
        path, again = recordings / f"{stamp}-{slug}-{again}", again + 1
    return path


def cut_out(
    recording: Path,
    *,
    out: Path | None = None,
    start_ns: int | None = None,
    end_ns: int | None = None,
    name: str = "",
    part_rows: int = PART_ROWS,
    progress: Callable[[float], None] = lambda _share: None,
    stop: threading.Event | None = None,
) -> CutOut:
    """Make a recording of [start_ns, end_ns) of another one.

    Parameters
    ----------
    out
        The new folder; None: beside the original, named by its beginning and its name.
    start_ns, end_ns
        None: the recording's beginning, its end (of a live one its newest row). What reaches
        beyond is brought into the recording.
    name
        What the new one is called; empty: after the original.
    part_rows
        Rows in memory before they become parts.
    progress
        Called with the share that is done, 0 to 1.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        It is no recording, the span lies outside it or holds nothing, or `out` exists; nothing was
        made.
    OutsideFault
        The disk took no more, or it was stopped; nothing was left behind.
    """
    reader = RecordingReader(recording)
    begin_ns, until_ns = _span(reader, start_ns, end_ns)
    old = reader.manifest
    source = recording.resolve()
    called = name.strip() or f"{old.name}, cut out"
    path = folder_for(source.parent, begin_ns, called) if out is None else out
    if path.resolve().is_relative_to(source):
        raise InputError(
            f"{path}: this lies within the recording {recording}, expected a folder beside it."
        )
    cut = CutFrom(
        recording=source.name,
        name=old.name,
        started_ns=old.started_ns,
        from_ns=begin_ns,
        to_ns=until_ns,
        cut_ns=time.time_ns(),
    )
    writer = BulkWriter(path, _manifest(old, cut, called), reader.bench, part_rows=part_rows)
    try:
        return _Copy(reader, writer, cut, progress=progress, stop=stop).made()
    except KeyboardInterrupt:
        writer.abandon()
        raise _stopped(path) from None
    except BaseException:
        writer.abandon()
        raise


def _span(reader: RecordingReader, start_ns: int | None, end_ns: int | None) -> tuple[int, int]:
    began = reader.manifest.started_ns
    ended = _end_ns(reader)
    begin, until = began if start_ns is None else start_ns, ended if end_ns is None else end_ns
    if until <= begin and not (start_ns is None or end_ns is None):
        raise InputError("The span is empty: expected --from before --to.")
    if begin >= ended or until <= began:
        raise InputError(
            f"{reader.path}: found a span from {time_text(begin)} to {time_text(until)}, expected "
            f"one within the recording: it holds {time_text(began)} to {time_text(ended)}."
        )
    return max(begin, began), min(until, ended)


def _end_ns(reader: RecordingReader) -> int:
    """Return where a recording ends, or just behind its newest row while it has no end."""
    if reader.manifest.ended_ns is not None:
        return reader.manifest.ended_ns
    spans = (reader.span_ns(stream) for stream in reader.schemas)
    return max((span[1] + 1 for span in spans if span), default=reader.manifest.started_ns)


def _manifest(old: Manifest, cut: CutFrom, name: str) -> Manifest:
    """Return the manifest that a cut begins with."""
    first, later = old.limits, []
    for taken in old.limits_taken:
        if taken.from_ns <= cut.from_ns:
            first = taken.text
        elif taken.from_ns < cut.to_ns:
            later.append(LimitsTaken(from_ns=taken.from_ns, text=taken.text))
    return old.model_copy(
        update={
            "name": name,
            "started_ns": cut.from_ns,
            "ended_ns": None,
            "end_cause": "",
            "rows": {},
            "missing": (),
            "resumed": tuple(clock for clock in old.resumed if clock.wall_ns < cut.to_ns),
            "limits": first,
            "limits_taken": tuple(later),
            "cut_from": (*old.cut_from, cut),
            "written_by": versions(),
        }
    )


class _Copy:
    """Copies one span, stream by stream."""

    def __init__(
        self,
        reader: RecordingReader,
        writer: BulkWriter,
        cut: CutFrom,
        *,
        progress: Callable[[float], None],
        stop: threading.Event | None,
    ) -> None:
        self._reader, self._writer, self._cut = reader, writer, cut
        self._progress, self._stop = progress, stop
        self._span = (cut.from_ns, cut.to_ns)
        self._to_the_end = cut.to_ns >= _end_ns(reader)
        self._missing: list[str] = []
        self._pieces: dict[str, list[Piece]] = {}
        for stream in reader.schemas:
            self._pieces[stream], holes = pieces_of(reader, stream)
            # What events told of may concern any time; rows only their own.
            self._missing += [
                hole.text for hole in holes if stream == "events" or hole.touches(*self._span)
            ]
        self._todo = sum(
            piece.end_row - piece.first_row
            for stream, pieces in self._pieces.items()
            for piece in pieces
            if stream != "events" and piece.last_ns >= cut.from_ns and piece.first_ns < cut.to_ns
        )
        self._done = 0

    def made(self) -> CutOut:
        """Copy all of it and close the new recording."""
        cut, writer = self._cut, self._writer
        rows = {stream: self._copied(stream) for stream in self._pieces if stream != "events"}
        readings = {
            joint.name: rows[status_stream(joint.name)] for joint in self._reader.bench.joints
        }
        if not (rows["frames"] or any(readings.values())):
            raise InputError(
                f"{self._reader.path}: found no frame and no reading from {time_text(cut.from_ns)} "
                f"to {time_text(cut.to_ns)}, expected a span that holds some."
                f"{' ' if self._missing else ''}{' '.join(self._missing)}"
            )
        events, standing = self._events()
        writer.append_events(events)
        self._heed()
        writer.manifest = writer.manifest.model_copy(update={"missing": self._said(events)})
        writer.close(ended_ns=cut.to_ns, cause=self._cause())
        self._progress(1.0)
        return CutOut(
            path=writer.path,
            name=writer.manifest.name,
            start_ns=cut.from_ns,
            end_ns=cut.to_ns,
            frames=rows["frames"],
            readings=readings,
            standing=standing,
            missing=tuple(dict.fromkeys(self._missing)),
        )

    def _copied(self, stream: str) -> int:
        """Copy a stream and return how many rows of it lie in the span."""
        if stream.startswith("status/"):
            self._append(stream, self._still_holding(stream))
        count = 0
        for table in self._rows(stream, *self._span, lost=self._missing.append):
            self._append(stream, table)
            self._heed()
            self._writer.tick()
            count += table.num_rows
            self._done += table.num_rows
            self._progress(min(self._done / max(self._todo, 1), 1.0))
        return count

    def _rows(
        self, stream: str, start_ns: int, end_ns: int, *, lost: Callable[[str], object]
    ) -> Iterator[pa.Table]:
        return rows_of_pieces(
            self._pieces[stream],
            self._reader.schemas[stream],
            start_ns=start_ns,
            end_ns=end_ns,
            lost=lost,
        )

    def _append(self, stream: str, table: pa.Table) -> None:
        for batch in table.combine_chunks().to_batches():
            self._writer.append(stream, batch)

    def _still_holding(self, stream: str) -> pa.Table:
        """Return the rows before the span that hold into it, and the joint's newest before it."""
        joint = next(one for one in self._reader.bench.joints if status_stream(one.name) == stream)
        hold_ns = self._reader.bench.hold_ns_of(joint)
        start_ns = self._cut.from_ns
        found = self._rows(
            stream, start_ns - gap_limit_ns(hold_ns), start_ns, lost=lambda _text: None
        )
        table = pa.concat_tables([self._reader.schemas[stream].empty_table(), *found])
        batch = readings_from(joint.name, table)
        kept = {table.num_rows - 1} if table.num_rows else set()
        for channel, longest_ns in hold_ns.items():
            told = np.flatnonzero(~np.isnan(batch.columns[channel]))
            if len(told) and batch.time_ns[told[-1]] + longest_ns > start_ns:
                kept.add(int(told[-1]))
        return table.take(pa.array(sorted(kept), pa.int64()))

    def _events(self) -> tuple[list[Event], int]:
        """Return the events of the cut in sequence, and how many alerts stood at its beginning."""
        cut = self._cut
        tables = self._rows_of_events()
        events = events_from(pa.concat_tables(tables)) if tables else []
        return cut_events(events, cut, to_the_end=self._to_the_end, live=self._reader.live)

    def _rows_of_events(self) -> list[pa.Table]:
        # In order of their sequence, not of their time: all of them are read.
        schema = self._reader.schemas["events"]
        tables = []
        for piece in self._pieces["events"]:
            try:
                tables.append(shaped(piece.read(), schema))
            except InputError as fault:
                self._missing.append(str(fault))
        return tables

    def _said(self, events: Sequence[Event]) -> tuple[str, ...]:
        """Return what recording.json says is missing."""
        said = [f"Not in the recording that this was cut out of: {text}" for text in self._missing]
        # What a crash took lay at an end: the recording's, or where somebody went on.
        if self._to_the_end or any(event.kind == "continued" for event in events):
            said += self._reader.manifest.missing
        return tuple(dict.fromkeys(said))

    def _cause(self) -> str:
        old = self._reader.manifest
        if not self._to_the_end or self._reader.live:
            return "cut out"
        return old.end_cause or CUT_SHORT

    def _heed(self) -> None:
        if self._stop is not None and self._stop.is_set():
            raise _stopped(self._writer.path)


def _stopped(path: Path) -> OutsideFault:
    return OutsideFault(f"{path}: stopped before its end; nothing was left behind.")
