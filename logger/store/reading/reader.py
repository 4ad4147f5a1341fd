"""The reader of a recording: sealed parts and growing journal as one. It never writes.

`refresh` takes in what was written since. Journals are read before parts are listed: a row that is
sealed in between is seen twice and counted once, never missed. Safe for several threads, and cheap
to refresh again and again while the recording grows.
"""

from collections.abc import Sequence
from functools import partial
from operator import is_
from threading import RLock

import pyarrow as pa
import pyarrow.compute as pc

from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets
from logger.limits.limit import LimitSet
from logger.store.layout.events import Event
from logger.store.layout.files import JOURNAL_FOLDER, MANIFEST_FILE, overview_stream, status_stream
from logger.store.layout.journaled_limits import add_revisions
from logger.store.layout.lock import writer_pid
from logger.store.layout.manifest import END_CUT_SHORT, CutShort, Manifest, read_manifest
from logger.store.layout.remote import Address, Location
from logger.store.layout.row_check import footer_check
from logger.store.layout.schema import (
    TIME_TYPE,
    conform,
    readings_from_table,
    row_mapping,
    rows_between,
    stream_schemas,
)
from logger.store.parts.identity import MisplacedPartError, PartOwner
from logger.store.parts.part import (
    Part,
    has_readable_row,
    outer_span,
    overlapping_parts,
    read_footers,
    relisted,
)
from logger.store.pyramid.seconds import PyramidCarry
from logger.store.pyramid.upper import at_width
from logger.store.reading.change_stamps import FolderStamps, manifest_stamp
from logger.store.reading.cut_short import cut_short_after, cut_short_text, earlier_cuts
from logger.store.reading.event_rows import EventRows
from logger.store.reading.joint_pyramid import JointPyramid, list_pyramid
from logger.store.reading.journal_tail import JournalTail, check_finished
from logger.store.reading.missing_rows import missing_rows

__all__ = ["RecordingReader"]


class RecordingReader:
    """One recording: in a folder, live or finished; at an address, finished."""

    def __init__(self, path: Location) -> None:
        """Open a recording.

        Raises
        ------
        InputError
            It is no recording, or one that this version cannot read; one at an address is not
            finished.
        OutsideFault
            The store at an address cannot be reached.
        """
        self.path = path
        self._manifest_stamp = manifest_stamp(path / MANIFEST_FILE)
        self.manifest: Manifest = read_manifest(path)
        if isinstance(path, Address):
            check_finished(path, self.manifest)
        self.bench = self.manifest.read_bench(str(path))
        self.limit_sets = self.manifest.limit_sets(str(path))
        self.schemas = stream_schemas(self.bench)
        self._checks = {name: footer_check(schema) for name, schema in self.schemas.items()}
        self._lock = RLock()
        self._parts: dict[str, list[Part]] = {stream: [] for stream in self.schemas}
        self._tail = JournalTail(path / JOURNAL_FOLDER, self.schemas)
        recording_id = self.manifest.recording_id
        self._list_pyramid = partial(list_pyramid, path, recording_id=recording_id)
        self._pyramids = {joint.name: JointPyramid() for joint in self.bench.joints}
        self._folders = FolderStamps(path)
        self._events = EventRows(self.bench)
        self.parts_read = 0
        """Parts of the pyramid that were read so far: the cost of a span, for tests and `check`."""
        self.refresh()

    @property
    def limits(self) -> LimitSet:
        """The limits in force, or those that were in force last."""
        return self.limit_sets[-1][1]

    @property
    def live(self) -> bool:
        """Whether a logger is writing it at this moment."""
        if self.manifest.ended_ns is not None or isinstance(self.path, Address):
            return False
        return writer_pid(self.path) is not None

    def refresh(self) -> bool:
        """Take in what has been written since; return whether there was anything."""
        with self._lock:
            news = self._read_journals() | self._list_parts()
            self._tail.put_together()
            # It changes when other limits are put into force (which a journal tells before), when
            # the recording ends, and when it is resumed afterwards.
            stamp = manifest_stamp(self.path / MANIFEST_FILE)
            taken = len(self.manifest.limits_taken)
            if stamp != self._manifest_stamp or taken in self._tail.limits:
                self.manifest = add_revisions(read_manifest(self.path), self._tail.limits)
                self.limit_sets = self.manifest.limit_sets(str(self.path))
                self._manifest_stamp = stamp
                news = True
            return news

    def _read_journals(self) -> bool:
        return self._tail.read_new(lambda stream, row: has_readable_row(self._parts[stream], row))

    def _list_parts(self) -> bool:
        sealed: set[str] = set()
        for stream in self.schemas:
            if not self._folders.has_changed(stream):
                continue
            owner = PartOwner(self.manifest.recording_id, stream, self._checks[stream])
            parts = relisted(self._parts[stream], self.path / stream, owner)
            known = self._parts[stream]
            if len(parts) == len(known) and all(map(is_, parts, known)):
                continue
            sealed.add(stream)
            self._parts[stream] = parts
            # The rows of a damaged part are read from the journal as long as that is there.
            self._tail.drop_sealed(stream, partial(has_readable_row, parts))
        for joint, previous in self._pyramids.items():
            rows = status_stream(joint)
            # A pyramid part is written before the rows that it covers: list it again with those.
            if self._folders.has_changed(overview_stream(joint)) or rows in sealed:
                known = self._parts[rows]
                self._pyramids[joint] = self._list_pyramid(joint, known, previous=previous)
        return bool(sealed)

    def open_overviews(self, joint: str) -> None:
        """Open each part of a joint's pyramid: it is read up to the first that is damaged."""
        with self._lock:
            rows, previous = self._parts[status_stream(joint)], self._pyramids[joint]
            listed = self._list_pyramid(joint, rows, previous=previous, trusting=False)
            self._pyramids[joint] = listed

    def row_count(self, stream: str) -> int:
        """Return how many rows of a stream can be read."""
        with self._lock:
            read_footers(self._parts[stream])
            sealed = sum(
                part.end_row - part.first_row
                for part in self._parts[stream]
                if not part.verify_error
            )
            return sealed + sum(run.end_row - run.first_row for run in self._tail.runs_of(stream))

    def span_ns(self, stream: str) -> tuple[int, int] | None:
        """Return the first and the last time of a stream in nanoseconds, None when it is empty."""
        with self._lock:
            sealed, tail = outer_span(self._parts[stream]), self._tail.runs_of(stream)
            if not tail:
                return sealed
            first_ns, last_ns = sealed or (tail[0].first_ns, tail[-1].last_ns)
            return min(first_ns, tail[0].first_ns), max(last_ns, tail[-1].last_ns)

    def read_rows(
        self, stream: str, *, start_ns: int, end_ns: int, columns: Sequence[str] | None = None
    ) -> pa.Table:
        """Return the rows of a time-ordered stream in [start_ns, end_ns).

        Parameters
        ----------
        columns
            In that order; None: all of the stream's schema.

        Raises
        ------
        InputError
            Rows of the span are damaged.
        """
        with self._lock:
            parts, tail = list(self._parts[stream]), list(self._tail.runs_of(stream))
        schema = self.schemas[stream]
        if columns is not None:
            schema = pa.schema([schema.field(name) for name in columns])
        tables = []
        for part in overlapping_parts(parts, start_ns=start_ns, end_ns=end_ns):
            table = part.read_span(start_ns=start_ns, end_ns=end_ns, columns=columns)
            if table is not None:
                tables.append(rows_between(table, start_ns, end_ns))
        batches = [
            run.batch if columns is None else run.batch.select(list(columns))
            for run in tail
            if run.last_ns >= start_ns and run.first_ns < end_ns
        ]
        if batches:
            tables.append(rows_between(pa.Table.from_batches(batches), start_ns, end_ns))
        if not tables:
            return schema.empty_table()
        return pa.concat_tables([conform(table, schema) for table in tables])

    def stored_parts(self, stream: str) -> tuple[list[Part], list[tuple[int, pa.RecordBatch]]]:
        """Return a stream's parts, and its unsealed batches, each with its first row's number.

        Both as of the last `refresh`, so that all streams end at the same instant.
        """
        with self._lock:
            tail = [(run.first_row, run.batch) for run in self._tail.runs_of(stream)]
            return list(self._parts[stream]), tail

    def end_row(self, stream: str) -> int:
        """Return the number after that of the newest row of a stream; 0 when it is empty."""
        with self._lock:
            ends = [part.end_row for part in self._parts[stream][-1:]]
            ends += [run.end_row for run in self._tail.runs_of(stream)[-1:]]
            return max(ends, default=0)

    def unsealed_batches(self, stream: str, from_row: int) -> list[tuple[int, pa.RecordBatch]]:
        """Return the unsealed batches that hold rows from `from_row` on, oldest first.

        Each with its first row's number, which may be less than `from_row`.
        """
        newest_first = []
        with self._lock:
            for run in reversed(self._tail.runs_of(stream)):
                if run.end_row <= from_row:
                    break
                newest_first.append((run.first_row, run.batch))
        return newest_first[::-1]

    def read_readings(
        self, joint: str, start_ns: int, end_ns: int, *, channels: Sequence[str]
    ) -> ReadingBatch:
        """Return the readings of a joint in [start_ns, end_ns) with the given channels."""
        stream = status_stream(joint)
        columns = ["time", "position_segment", *channels]
        return readings_from_table(
            joint, self.read_rows(stream, start_ns=start_ns, end_ns=end_ns, columns=columns)
        )

    def read_overview(
        self,
        joint: str,
        channel: str,
        *,
        start_ns: int,
        end_ns: int,
        width_ns: int,
        counted_ns: int,
    ) -> Buckets:
        """Return the buckets of a channel that touch [start_ns, end_ns), from the pyramid.

        Parameters
        ----------
        width_ns
            Width of the buckets; whole seconds.
        counted_ns
            Up to where the pyramid has counted every row; the buckets are right up to there.

        Raises DamagedLeafError for one that was damaged since (`open_overviews`).
        """
        channel_buckets = list(
            self._pyramid_of(joint).buckets(
                channel,
                start_ns=start_ns,
                end_ns=end_ns,
                width_ns=width_ns,
                counted_ns=counted_ns,
            )
        )
        self.parts_read += len(channel_buckets)
        return at_width(channel_buckets, width_ns)

    def read_tenths(
        self, joint: str, channel: str, *, start_ns: int, end_ns: int
    ) -> tuple[Buckets, int]:
        """Return the tenths of a second that touch a span, and up to where they are right.

        See `logger.store.pyramid.tenths.read_tenths`.
        """
        return self._pyramid_of(joint).tenths_of(channel, start_ns=start_ns, end_ns=end_ns)

    def uncounted(self, joint: str) -> PyramidCarry:
        """Return the newest values of a joint that its pyramid has not counted yet."""
        return self._pyramid_of(joint).carry

    def sealed_gaps(self, joint: str) -> list[tuple[int, int]]:
        """Return the gaps of a joint, as (start_ns, end_ns), in rows that its pyramid covers."""
        return list(self._pyramid_of(joint).gaps)

    def _pyramid_of(self, joint: str) -> JointPyramid:
        with self._lock:
            return self._pyramids[joint]

    def tail_times(self, joint: str) -> pa.ChunkedArray:
        """Return the times of the rows of a joint that its pyramid does not cover (yet)."""
        stream = status_stream(joint)
        with self._lock:
            end_row = self._pyramids[joint].end_row
            parts = [part for part in self._parts[stream] if part.first_row >= end_row]
            runs = list(self._tail.runs_of(stream))
        sealed = [
            chunk
            for part in parts
            if (table := part.read_whole(columns=["time"])) is not None
            for chunk in table["time"].chunks
        ]
        return pa.chunked_array([*sealed, *(run.batch.column(0) for run in runs)], type=TIME_TYPE)

    def last_segment(self, joint: str) -> int | None:
        """Return the newest position segment of a joint, None when it has none."""
        stream = status_stream(joint)
        with self._lock:
            for run in reversed(self._tail.runs_of(stream)):
                newest = pc.max(run.batch["position_segment"]).as_py()
                if newest is not None:
                    return int(newest)
            parts = list(self._parts[stream])
        for part in reversed(parts):
            table = part.read_whole(columns=["position_segment"])
            newest = None if table is None else pc.max(table["position_segment"]).as_py()
            if newest is not None:
                return int(newest)
        return None

    def read_events(self) -> tuple[Event, ...]:
        """Return all events in sequence."""
        with self._lock:
            known, count = self._events, partial(self.row_count, "events")
            # Read before they are counted: each part is opened once.
            if self.end_row("events") != known.end_row or count() != len(known.events):
                known.take_in(self._parts["events"], self._tail.runs_of("events"), count=count)
            return known.events

    def newest_row(self, stream: str) -> dict[str, object] | None:
        """Return the newest row of a stream as a mapping, times in ns; None when it has none."""
        with self._lock:
            if tail := self._tail.runs_of(stream):
                batch = tail[-1].batch
                return row_mapping(batch.slice(batch.num_rows - 1))
            parts = list(self._parts[stream])
        for part in reversed(parts):
            if not part.spans:
                continue
            last = part.spans[-1][1]
            table = part.read_span(start_ns=last, end_ns=last + 1)
            if table is not None:
                return row_mapping(conform(table.slice(table.num_rows - 1), self.schemas[stream]))
        return None

    def describe_missing(self) -> tuple[str, ...]:
        """Return what is known to be missing in the recording, in sentences."""
        sentences: list[str] = []
        with self._lock:
            for stream, parts in self._parts.items():
                tail = self._tail.runs_of(stream)
                sentences += missing_rows(stream, parts, tail, self.manifest)
            sentences += self._tail.unreadable()
            sentences += map(cut_short_text, self.cut_short())
            if self._is_unended() or self.manifest.end_cause == END_CUT_SHORT:
                sentences += self._tail.remainders()
            sentences.extend(self.manifest.missing)
        return tuple(dict.fromkeys(sentence for sentence in sentences if sentence))

    def _is_unended(self) -> bool:
        return self.manifest.ended_ns is None and not self.live

    def cut_short(self) -> tuple[CutShort, ...]:
        """Return what each recorder that ended without closing the recording may have lost."""
        with self._lock:
            cuts = [*earlier_cuts(self.manifest, self.read_events()), *self.manifest.cut_short]
            if self._is_unended():
                spans = [span for stream in self.schemas if (span := self.span_ns(stream))]
                newest_ns = max((end for _, end in spans), default=self.manifest.started_ns)
                cuts.append(cut_short_after(newest_ns, self._tail.journals()))
        return tuple(sorted(cuts, key=lambda cut: cut.newest_ns))

    def misplaced_parts(self) -> tuple[tuple[str, MisplacedPartError], ...]:
        """Return the parts that belong to other rows, by their paths within the recording."""
        return tuple(
            (f"{stream}/{part.name}", misplaced)
            for stream, part in self._listed_parts()
            if (misplaced := part.misplaced) is not None
        )

    def describe_damage(self) -> tuple[str, ...]:
        """Read every byte of every part; return in sentences which differ from what was written."""
        return tuple(
            f"{part.name} of {stream} is damaged: {damage}"
            for stream, part in self._listed_parts()
            if not part.verify_error and (damage := part.verify_part())
        )

    def _listed_parts(self) -> list[tuple[str, Part]]:
        with self._lock:
            return [(stream, part) for stream in self.schemas for part in self._parts[stream]]
