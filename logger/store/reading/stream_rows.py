"""The rows of a recording's streams, parts and growing journal as one; see `reader`."""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from itertools import chain
from threading import RLock

import pyarrow as pa

from logger.store.layout.files import JOURNAL_FOLDER, joined_stream
from logger.store.layout.remote import Location
from logger.store.layout.row_check import footer_check
from logger.store.layout.schema import conform, row_mapping, rows_between
from logger.store.parts.identity import MisplacedPartError, PartOwner
from logger.store.parts.joined import Cover, cover_parts, may_have_copies, read_covers
from logger.store.parts.part import Part, outer_span, overlapping_parts, read_footers, relisted
from logger.store.reading.journal_tail import JournalTail

__all__ = ["StreamRows"]


class StreamRows:
    """The parts and the unsealed rows of each stream of one recording, as of the last listing."""

    def __init__(self, path: Location, schemas: Mapping[str, pa.Schema], recording_id: str) -> None:
        """`schemas`: stream -> its columns."""
        self.path = path
        self.schemas = schemas
        self._recording_id = recording_id
        self._checks = {name: footer_check(schema) for name, schema in schemas.items()}
        self._lock = RLock()
        self._parts: dict[str, list[Part]] = {stream: [] for stream in schemas}
        self._copies: dict[str, list[Part]] = {}
        self._tail = JournalTail(path / JOURNAL_FOLDER, schemas)

    def _owner(self, stream: str, folder: str) -> PartOwner:
        return PartOwner(self._recording_id, folder, self._checks[stream])

    def _list_stream(self, stream: str) -> list[Part]:
        """Return its parts as they are on the disk now; those known keep what was read of them."""
        return relisted(self._parts[stream], self.path / stream, self._owner(stream, stream))

    def _covers(self, stream: str, parts: Sequence[Part]) -> list[Cover]:
        """Return what is read in place of parts of a stream: joined copies, where there are."""
        copies: list[Part] = []
        if may_have_copies(stream, len(parts)):
            folder = joined_stream(stream)
            with self._lock:
                # Listed when they are needed: none of them tells anything new.
                copies = relisted(
                    self._copies.get(stream, ()), self.path / folder, self._owner(stream, folder)
                )
                self._copies[stream] = copies
        return cover_parts(parts, copies)

    def row_count(self, stream: str, *, opened: bool = True) -> int:
        """Return how many rows of a stream can be read.

        `opened`: open each part to know that it can be; False: take those that are not open yet
        for whole, as their names say.
        """
        with self._lock:
            parts = self._parts[stream]
            if opened:
                read_footers(parts)
            sealed = sum(
                part.end_row - part.first_row
                for part in parts
                if not ((opened or part.is_opened) and part.verify_error)
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
        covers, tail = self._covers_of_span(stream, start_ns, end_ns)
        read = partial(Part.read_span, start_ns=start_ns, end_ns=end_ns, columns=columns)
        tables = [table for _, table in read_covers(covers, read)]
        schema = self._schema_of(stream, columns)
        if tail:
            tables.append(pa.Table.from_batches([batch.select(schema.names) for batch in tail]))
        if not tables:
            return schema.empty_table()
        return pa.concat_tables(
            [conform(rows_between(table, start_ns, end_ns), schema) for table in tables]
        )

    def row_pieces(
        self, stream: str, *, start_ns: int, end_ns: int, columns: Sequence[str] | None = None
    ) -> Iterator[pa.Table]:
        """Yield the rows that `read_rows` returns, a hundred thousand or so at a time.

        In order, and none of them empty: what months hold does not fit into memory as a table.
        """
        covers, tail = self._covers_of_span(stream, start_ns, end_ns)
        schema = self._schema_of(stream, columns)
        read = partial(Part.read_span, start_ns=start_ns, end_ns=end_ns, columns=columns)
        pieces = partial(Part.read_pieces, start_ns=start_ns, end_ns=end_ns, columns=columns)
        # A copy is small, and may have to be replaced by its parts.
        tables = chain.from_iterable(
            (table for _, table in read_covers([cover], read))
            if cover.is_copy
            else pieces(cover.part)
            for cover in covers
        )
        unsealed = (pa.Table.from_batches([batch.select(schema.names)]) for batch in tail)
        for table in chain(tables, unsealed):
            rows = conform(rows_between(table, start_ns, end_ns), schema)
            if rows.num_rows:
                yield rows

    def _covers_of_span(
        self, stream: str, start_ns: int, end_ns: int
    ) -> tuple[list[Cover], list[pa.RecordBatch]]:
        """Return what is read of the parts of a stream, and the unsealed batches, of a span."""
        with self._lock:
            parts, tail = list(self._parts[stream]), list(self._tail.runs_of(stream))
        covers = self._covers(stream, overlapping_parts(parts, start_ns=start_ns, end_ns=end_ns))
        return covers, [
            run.batch for run in tail if run.last_ns >= start_ns and run.first_ns < end_ns
        ]

    def _schema_of(self, stream: str, columns: Sequence[str] | None) -> pa.Schema:
        schema = self.schemas[stream]
        return schema if columns is None else pa.schema([schema.field(one) for one in columns])

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
