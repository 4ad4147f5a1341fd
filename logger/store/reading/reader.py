"""The reader of a recording: sealed parts and growing journal as one. It never writes.

`refresh` takes in what was written since. Journals are read before parts are listed: a row that is
sealed in between is seen twice and counted once, never missed. Safe for several threads, and cheap
to refresh again and again while the recording grows.
"""

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import islice, zip_longest
from operator import is_

import pyarrow as pa
import pyarrow.compute as pc

from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets
from logger.limits.limit import LimitSet
from logger.store.layout.events import Event
from logger.store.layout.files import MANIFEST_FILE, overview_stream, status_stream
from logger.store.layout.journaled_limits import add_revisions
from logger.store.layout.lock import writer_pid
from logger.store.layout.manifest import END_CUT_SHORT, CutShort, Manifest, read_manifest
from logger.store.layout.remote import Address, Location
from logger.store.layout.schema import TIME_TYPE, readings_from_table, stream_schemas
from logger.store.parts.part import Part, has_readable_row
from logger.store.pyramid.seconds import PyramidCarry
from logger.store.pyramid.upper import at_width
from logger.store.reading.change_stamps import FolderStamps, manifest_stamp
from logger.store.reading.cut_short import cut_short_after, cut_short_text, earlier_cuts
from logger.store.reading.event_rows import EventRows
from logger.store.reading.joint_pyramid import JointPyramid, list_pyramid
from logger.store.reading.journal_tail import check_finished
from logger.store.reading.missing_rows import missing_rows
from logger.store.reading.stream_rows import StreamRows

__all__ = ["RecordingReader"]


class RecordingReader(StreamRows):
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
        self._manifest_stamp = manifest_stamp(path / MANIFEST_FILE)
        self.manifest: Manifest = read_manifest(path)
        if isinstance(path, Address):
            check_finished(path, self.manifest)
        self.bench = self.manifest.read_bench(str(path))
        self.limit_sets = self.manifest.limit_sets(str(path))
        recording_id = self.manifest.recording_id
        super().__init__(path, stream_schemas(self.bench), recording_id)
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
            parts, known = self._list_stream(stream), self._parts[stream]
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
                channel, start_ns=start_ns, end_ns=end_ns, width_ns=width_ns, counted_ns=counted_ns
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
            known, parts = self._events, self._parts["events"]
            tail = self._tail.runs_of("events")
            if not known.is_of(parts, tail):
                known.take_in(parts, tail, covers=partial(self._covers, "events"))
            return known.events

    def describe_missing(self, *, most_opened: int | None = None) -> tuple[str, ...]:
        """Return what is known to be missing in the recording, in sentences.

        Parameters
        ----------
        most_opened
            Open so many parts at most that were not opened before, the newest first, to know that
            they can be read: each takes a millisecond, and a recording of months has a hundred
            thousand. Called again, it knows of more. None: all.
        """
        sentences: list[str] = []
        with self._lock:
            for part in islice(self._unopened(), most_opened):
                _ = part.verify_error
            for stream, parts in self._parts.items():
                tail = self._tail.runs_of(stream)
                sentences += missing_rows(stream, parts, tail, self.manifest)
            sentences += self._tail.unreadable()
            sentences += map(cut_short_text, self.cut_short())
            if self._is_unended() or self.manifest.end_cause == END_CUT_SHORT:
                sentences += self._tail.remainders()
            sentences.extend(self.manifest.missing)
        return tuple(dict.fromkeys(sentence for sentence in sentences if sentence))

    def _unopened(self) -> Iterator[Part]:
        """Yield the parts that were not opened yet, the newest of each stream first."""
        for newest_first in zip_longest(*map(reversed, self._parts.values())):
            yield from (part for part in newest_first if part and not part.is_opened)

    def _is_unended(self) -> bool:
        if self.manifest.ended_ns is not None or self.live:
            return False
        # A recorder writes its end before it lets go, maybe since the last refresh.
        return manifest_stamp(self.path / MANIFEST_FILE) == self._manifest_stamp

    def cut_short(self) -> tuple[CutShort, ...]:
        """Return what each recorder that ended without closing the recording may have lost."""
        with self._lock:
            cuts = [*earlier_cuts(self.manifest, self.read_events()), *self.manifest.cut_short]
            if self._is_unended():
                spans = [span for stream in self.schemas if (span := self.span_ns(stream))]
                newest_ns = max((end for _, end in spans), default=self.manifest.started_ns)
                cuts.append(cut_short_after(newest_ns, self._tail.journals()))
        return tuple(sorted(cuts, key=lambda cut: cut.newest_ns))
