"""The reader of a recording: sealed parts and growing journal as one. It never writes.

`refresh` takes in what has come since. Journals are read before parts are listed: a row that is
sealed in between is seen twice and counted once, never missed. Safe for several threads.
"""

import time
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import RLock
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from logger.errors import InputError
from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets
from logger.limits.limit import LimitSet
from logger.store.layout.events import Event, events_from
from logger.store.layout.files import JOURNAL, MANIFEST, overview_stream, status_stream
from logger.store.layout.lock import writer_of
from logger.store.layout.manifest import CUT_SHORT, Manifest, read_manifest
from logger.store.layout.remote import Address, Place
from logger.store.layout.schema import TIME, readings_from, shaped, streams_of
from logger.store.parts.part import Part, list_parts, read_footers, touching
from logger.store.pyramid.seconds import Carry, buckets_from, carry_from, figure_names
from logger.store.pyramid.tenths import FINE_NS, fine_buckets
from logger.store.pyramid.upper import UPPER_NS, Node, chosen, joined, level_stream, tree
from logger.store.writing.journal import JournalReader, journal_files

__all__ = ["RecordingReader"]

_SETTLED_NS: Final = 1_000_000_000
"""A folder that was changed longer ago than this has no change of the same tick to come."""


@dataclass(frozen=True, slots=True)
class _TailRun:
    first_row: int
    batch: pa.RecordBatch
    first_ns: int
    last_ns: int

    @property
    def end_row(self) -> int:
        return self.first_row + int(self.batch.num_rows)


class RecordingReader:
    """One recording: in a folder, live or finished; at an address, finished."""

    def __init__(self, path: Place) -> None:
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
        self._manifest_stamp = _stamp(path / MANIFEST)
        self.manifest: Manifest = read_manifest(path)
        if isinstance(path, Address):
            _refuse_unfinished(path, self.manifest)
        self.bench = self.manifest.read_bench(str(path))
        self.limit_sets = self.manifest.limit_sets(str(path))
        self.schemas = streams_of(self.bench)
        self._lock = RLock()
        self._journals: dict[int, JournalReader] = {}
        self._unread: dict[int, str] = {}
        self._parts: dict[str, list[Part]] = {stream: [] for stream in self.schemas}
        self._overviews: dict[str, list[Part]] = {joint.name: [] for joint in self.bench.joints}
        self._upper: dict[str, list[list[Part]]] = {
            joint.name: [[] for _ in UPPER_NS] for joint in self.bench.joints
        }
        self._fine: dict[str, list[Part]] = {joint.name: [] for joint in self.bench.joints}
        self._pyramid: dict[str, tuple[Node, ...]] = {joint.name: () for joint in self.bench.joints}
        self._untold: dict[str, list[Part]] = {joint.name: [] for joint in self.bench.joints}
        self._carry: dict[str, Carry] = {joint.name: Carry() for joint in self.bench.joints}
        self._gaps: dict[str, list[tuple[int, int]]] = {
            joint.name: [] for joint in self.bench.joints
        }
        self._listed: dict[str, int] = {}
        self._tail: dict[str, list[_TailRun]] = {stream: [] for stream in self.schemas}
        self._events: list[Event] | None = None
        self.parts_read = 0
        """Parts of the pyramid that were opened so far: what a span costs."""
        self.refresh()

    @property
    def limits(self) -> LimitSet:
        """The limits in force, or last in force."""
        return self.limit_sets[-1][1]

    @property
    def live(self) -> bool:
        """Whether a logger writes it at this moment."""
        return self.manifest.ended_ns is None and _writer_of(self.path) is not None

    def refresh(self) -> bool:
        """Take in what has been written since; return whether there was anything."""
        with self._lock:
            news = self._read_journals()
            news |= self._list_parts()
            if news:
                self._events = None
            # It changes when the recording ends, and when somebody goes on in it afterwards.
            stamp = _stamp(self.path / MANIFEST)
            if stamp != self._manifest_stamp:
                self.manifest = read_manifest(self.path)
                self.limit_sets = self.manifest.limit_sets(str(self.path))
                self._manifest_stamp = stamp
                news = True
            return news

    def _read_journals(self) -> bool:
        news = False
        if isinstance(self.path, Address):
            return news
        there = dict(journal_files(self.path / JOURNAL))
        for number in list(self._journals):
            if number not in there:
                del self._journals[number]
                self._unread.pop(number, None)
        for number, path in there.items():
            reader = self._journals.setdefault(number, JournalReader(path))
            try:
                for row in reader.rows():
                    if row.stream not in self._tail or row.batch.num_rows == 0:
                        continue
                    if _holds(self._parts[row.stream], row.first_row):
                        # The part was listed before the journal's end was read.
                        continue
                    times = row.batch.column(0).cast(pa.int64())
                    self._tail[row.stream].append(
                        _TailRun(row.first_row, row.batch, times[0].as_py(), times[-1].as_py())
                    )
                    news = True
                self._unread.pop(number, None)
            except FileNotFoundError:
                continue
            except OSError as fault:
                # As with a damaged part: the rest is read, and `missing` tells.
                self._unread[number] = fault.strerror or str(fault)
        return news

    def _list_parts(self) -> bool:
        sealed: set[str] = set()
        for stream in self.schemas:
            if not self._changed(stream):
                continue
            parts = _known(self._parts[stream], self.path / stream)
            if len(parts) == len(self._parts[stream]):
                continue
            sealed.add(stream)
            self._parts[stream] = parts
            # What a damaged part held is read from the journal as long as that is there.
            self._tail[stream] = [
                run for run in self._tail[stream] if not _holds(parts, run.first_row)
            ]
        for joint, old in self._overviews.items():
            stream = overview_stream(joint)
            # An overview is there before the rows that it tells of: look again when those come.
            if not (self._changed(stream) or status_stream(joint) in sealed):
                continue
            rows = self._parts[status_stream(joint)]
            known = _known(old, self.path / stream)
            read_footers(known)
            parts = _telling_of(rows, known)
            self._overviews[joint] = parts
            upper = [
                _known(level, self.path / level_stream(joint, width_ns))
                for level, width_ns in zip(self._upper[joint], UPPER_NS, strict=True)
            ]
            read_footers(part for level in upper for part in level)
            self._upper[joint] = upper
            self._fine[joint] = _known(self._fine[joint], self.path / level_stream(joint, FINE_NS))
            self._pyramid[joint] = tree(parts, upper)
            end_row = parts[-1].end_row if parts else 0
            self._untold[joint] = [part for part in rows if part.first_row >= end_row]
            carries = [carry_from(part.metadata) for part in parts]
            self._carry[joint] = carries[-1] if carries else Carry()
            self._gaps[joint] = [gap for carry in carries for gap in carry.gaps]
        return bool(sealed)

    def _changed(self, stream: str) -> bool:
        try:
            stamp = _changed_ns(self.path / stream)
        except FileNotFoundError:
            return False
        if self._listed.get(stream) == stamp:
            return False
        # A folder's time moves in ticks: a rename may follow within the one that was seen.
        if time.time_ns() - stamp > _SETTLED_NS:
            self._listed[stream] = stamp
        return True

    def rows(self, stream: str) -> int:
        """Return how many rows of a stream can be read."""
        with self._lock:
            read_footers(self._parts[stream])
            sealed = sum(
                part.end_row - part.first_row for part in self._parts[stream] if not part.damage
            )
            return sealed + sum(run.end_row - run.first_row for run in self._tail[stream])

    def span_ns(self, stream: str) -> tuple[int, int] | None:
        """Return the first and the last time of a stream, None when it is empty."""
        with self._lock:
            parts, tail = self._parts[stream], self._tail[stream]
            # The outermost that can be read: the footers between them are not asked.
            first = next((part.spans for part in parts if part.spans), ())
            last = next((part.spans for part in reversed(parts) if part.spans), ())
            starts = [first[0][0]] if first else []
            ends = [last[-1][1]] if last else []
            if tail:
                starts.append(tail[0].first_ns)
                ends.append(tail[-1].last_ns)
            return (min(starts), max(ends)) if starts else None

    def table(
        self, stream: str, *, start_ns: int, end_ns: int, columns: Sequence[str] | None = None
    ) -> pa.Table:
        """Return the rows of a time-ordered stream in [start_ns, end_ns)."""
        with self._lock:
            parts, tail = list(self._parts[stream]), list(self._tail[stream])
        schema = self.schemas[stream]
        if columns is not None:
            schema = pa.schema([schema.field(name) for name in columns])
        found = []
        for part in touching(parts, start_ns=start_ns, end_ns=end_ns):
            table = part.read(start_ns=start_ns, end_ns=end_ns, columns=columns)
            if table is not None:
                found.append(_cut(table, start_ns, end_ns))
        batches = [
            run.batch if columns is None else run.batch.select(list(columns))
            for run in tail
            if run.last_ns >= start_ns and run.first_ns < end_ns
        ]
        if batches:
            found.append(_cut(pa.Table.from_batches(batches), start_ns, end_ns))
        if not found:
            return schema.empty_table()
        return pa.concat_tables([shaped(table, schema) for table in found])

    def held(self, stream: str) -> tuple[list[Part], list[tuple[int, pa.RecordBatch]]]:
        """Return a stream's parts, and what no part holds yet with the numbers of its first rows.

        Both as of the last `refresh`, so that all streams end together.
        """
        with self._lock:
            tail = [(run.first_row, run.batch) for run in self._tail[stream]]
            return list(self._parts[stream]), tail

    def readings(
        self, joint: str, *, start_ns: int, end_ns: int, channels: Sequence[str]
    ) -> ReadingBatch:
        """Return the readings of a joint in [start_ns, end_ns) with the channels asked for."""
        stream = status_stream(joint)
        columns = ["time", "position_segment", *channels]
        return readings_from(
            joint, self.table(stream, start_ns=start_ns, end_ns=end_ns, columns=columns)
        )

    def overview(
        self,
        joint: str,
        channel: str,
        *,
        start_ns: int,
        end_ns: int,
        width_ns: int,
        counted_ns: int,
    ) -> Buckets:
        """Return the buckets of a channel that touch a span, at a width that is whole seconds.

        They are right up to `counted_ns`, before which the pyramid has counted everything.
        """
        with self._lock:
            nodes = self._pyramid[joint]
        found = []
        for node in chosen(
            nodes, start_ns=start_ns, end_ns=end_ns, width_ns=width_ns, counted_ns=counted_ns
        ):
            table = node.part.read(
                # A bucket that began before the span may reach into it.
                start_ns=start_ns - node.width_ns + 1,
                end_ns=end_ns,
                columns=["time", *figure_names(channel)],
            )
            if table is not None and f"{channel}.n" in table.column_names:
                self.parts_read += 1
                found.append(buckets_from([table], channel, width_ns=node.width_ns))
        return joined(found, width_ns)

    def fine(self, joint: str, channel: str, *, start_ns: int, end_ns: int) -> tuple[Buckets, int]:
        """Return the tenths of a second of a channel that touch a span, and up to where: `fine`."""
        with self._lock:
            seconds = self._overviews[joint]
            fine = self._fine[joint]
        if not fine:
            return Buckets.none(FINE_NS), 0
        return fine_buckets(seconds, fine, channel, start_ns=start_ns, end_ns=end_ns)

    def carry(self, joint: str) -> Carry:
        """Return what a joint's overview has not counted yet."""
        with self._lock:
            return self._carry[joint]

    def sealed_gaps(self, joint: str) -> list[tuple[int, int]]:
        """Return the joint's gaps within the rows that its overview tells of."""
        with self._lock:
            return list(self._gaps[joint])

    def tail_times(self, joint: str) -> pa.ChunkedArray:
        """Return the times of the rows of a joint that its overview does not tell of (yet)."""
        with self._lock:
            parts = list(self._untold[joint])
            runs = list(self._tail[status_stream(joint)])
        sealed = [
            chunk
            for part in parts
            if (table := part.read(start_ns=-(2**62), end_ns=2**62, columns=["time"])) is not None
            for chunk in table["time"].chunks
        ]
        return pa.chunked_array([*sealed, *(run.batch.column(0) for run in runs)], type=TIME)

    def last_segment(self, joint: str) -> int | None:
        """Return the newest position segment of a joint, None when it has none."""
        stream = status_stream(joint)
        with self._lock:
            for run in reversed(self._tail[stream]):
                newest = pc.max(run.batch["position_segment"]).as_py()
                if newest is not None:
                    return int(newest)
            parts = list(self._parts[stream])
        for part in reversed(parts):
            table = part.read(start_ns=-(2**62), end_ns=2**62, columns=["position_segment"])
            newest = None if table is None else pc.max(table["position_segment"]).as_py()
            if newest is not None:
                return int(newest)
        return None

    def events(self) -> list[Event]:
        """Return all events in sequence."""
        with self._lock:
            if self._events is None:
                read_footers(self._parts["events"])
                tables = [
                    table
                    for part in self._parts["events"]
                    if (table := part.read(start_ns=-(2**62), end_ns=2**62)) is not None
                ]
                tables += [pa.Table.from_batches([run.batch]) for run in self._tail["events"]]
                self._events = (
                    events_from(
                        pa.concat_tables([table.cast(self.schemas["events"]) for table in tables])
                    )
                    if tables
                    else []
                )
            return self._events

    def newest(self, stream: str) -> dict[str, object] | None:
        """Return the newest row of a stream as a mapping, None when it has none."""
        with self._lock:
            if self._tail[stream]:
                batch = self._tail[stream][-1].batch
                return dict(batch.slice(batch.num_rows - 1).to_pylist()[0])
            parts = list(self._parts[stream])
        for part in reversed(parts):
            if not part.spans:
                continue
            last = part.spans[-1][1]
            table = part.read(start_ns=last, end_ns=last + 1)
            if table is not None:
                return dict(table.slice(table.num_rows - 1).to_pylist()[0])
        return None

    def missing(self) -> tuple[str, ...]:
        """Return what is known to be missing, in sentences."""
        said = []
        with self._lock:
            for stream in self.schemas:
                ranges = sorted(
                    [(part.first_row, part.end_row) for part in self._parts[stream]]
                    + [(run.first_row, run.end_row) for run in self._tail[stream]]
                )
                row = 0
                for first, end in ranges:
                    if first > row:
                        said.append(f"{stream}: rows {row} to {first - 1} are missing.")
                    row = max(row, end)
                if row < self.manifest.rows.get(stream, 0):
                    last = self.manifest.rows[stream] - 1
                    said.append(f"{stream}: rows {row} to {last} are missing.")
                for part in self._parts[stream]:
                    if part.damage:
                        said.append(f"{part.name} of {stream} cannot be read: {part.damage}")
                    elif part.footer.num_rows != part.end_row - part.first_row:
                        said.append(
                            f"{part.name} of {stream} holds {part.footer.num_rows} rows, "
                            f"expected {part.end_row - part.first_row}."
                        )
            for number, fault in sorted(self._unread.items()):
                said.append(f"journal {number:08d} cannot be read: {fault}")
            unended = self.manifest.ended_ns is None and _writer_of(self.path) is None
            if unended or self.manifest.end_cause == CUT_SHORT:
                said.append(
                    "The recorder ended without closing the recording: up to 0.2 s before its end "
                    "are missing, up to 1 s after a power cut."
                )
                said.extend(reader.remainder() for _, reader in sorted(self._journals.items()))
            said.extend(self.manifest.missing)
        return tuple(dict.fromkeys(sentence for sentence in said if sentence))

    def damaged(self) -> tuple[str, ...]:
        """Read every byte of every part; return which are not what was written, in sentences."""
        with self._lock:
            parts = [(stream, part) for stream in self.schemas for part in self._parts[stream]]
        return tuple(
            f"{part.name} of {stream} is damaged: {found}"
            for stream, part in parts
            if not part.damage and (found := part.verify())
        )


def _refuse_unfinished(address: Address, manifest: Manifest) -> None:
    """Raise InputError for a recording whose newest rows are not in parts."""
    journal = address / JOURNAL
    unsealed = journal.is_dir() and any(one.suffix == ".journal" for one in journal.iterdir())
    if manifest.ended_ns is None or unsealed:
        raise InputError(
            f"{address}: this recording {'has rows in its journal' if unsealed else 'has no end'}: "
            "it was copied while it was written, or cut short. From an address finished recordings "
            "are read. End it, or `dutytrace seal` it in its folder, and copy it again."
        )


def _writer_of(path: Place) -> int | None:
    return None if isinstance(path, Address) else writer_of(path)


def _changed_ns(folder: Place) -> int:
    """Return when a folder was changed last; at an address it never is, so it is listed once."""
    if isinstance(folder, Path):
        return folder.stat().st_mtime_ns
    if not folder.is_dir():
        raise FileNotFoundError(str(folder))
    return 0


def _stamp(path: Place) -> tuple[int, int] | None:
    """Return what tells a file that was put in place of another from that one."""
    if isinstance(path, Address):
        return None
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return found.st_ino, found.st_mtime_ns


def _known(old: list[Part], folder: Place) -> list[Part]:
    """List a folder's parts, keeping the footers that were already read."""
    kept = {part.place: part for part in old}
    return [kept.get(part.place, part) for part in list_parts(folder)]


def _holds(parts: Sequence[Part], row: int) -> bool:
    """Return whether one of some parts, in order of their rows, holds a row that can be read."""
    at = bisect_right(parts, row, key=lambda part: part.first_row) - 1
    return at >= 0 and row < parts[at].end_row and not parts[at].damage


def _telling_of(rows: list[Part], overviews: list[Part]) -> list[Part]:
    """Return the overviews of sealed rows, up to the first that is missing or damaged.

    One whose rows are not sealed (yet) tells of rows that the journal holds; behind a hole only the
    rows themselves can be asked, for what the lost one carried is not known.
    """
    at = {(part.first_row, part.end_row): part for part in overviews}
    told: list[Part] = []
    for part in rows:
        overview = at.get((part.first_row, part.end_row))
        if overview is None or overview.damage:
            return told
        told.append(overview)
    # What was still carried at the end of the recording.
    end = rows[-1].end_row if rows else 0
    closing = at.get((end, end))
    return told if closing is None or closing.damage else [*told, closing]


def _cut(table: pa.Table, start_ns: int, end_ns: int) -> pa.Table:
    """Return the rows of a time-ordered table in [start_ns, end_ns)."""
    times = table["time"].cast(pa.int64())
    if len(times) and times[0].as_py() >= start_ns and times[-1].as_py() < end_ns:
        return table
    numbers = times.to_numpy()
    low, high = numbers.searchsorted([start_ns, end_ns])
    return table.slice(int(low), int(high - low))
