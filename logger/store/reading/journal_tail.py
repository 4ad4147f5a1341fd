"""The rows of a recording that no part holds yet, as its journals grow.

A journal is flushed ten times a second and lasts for minutes: ten thousand small batches in each
stream, which take more memory than their rows and have to be searched at each read. So small
batches are joined here once there are many; rows and order stay the same (held by a property test).
Not locked: the reader that owns it is.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import ClassVar

import pyarrow as pa

from logger.errors import InputError
from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.layout.journaled_limits import LIMITS_STREAM, revisions_in
from logger.store.layout.manifest import LimitsRevision, Manifest
from logger.store.layout.remote import Address, Location
from logger.store.layout.row_check import rows_fault
from logger.store.layout.schema import conform
from logger.store.writing.journal import JournalReader, RowRun, journal_files

__all__ = ["JournalTail", "TailRun", "check_finished"]


@dataclass(frozen=True, slots=True)
class TailRun:
    """Rows that were written together, or joined since."""

    first_row: int
    batch: pa.RecordBatch
    first_ns: int
    last_ns: int
    journal: int
    """Number of the journal that holds them."""

    @property
    def end_row(self) -> int:
        """The number after that of its last row."""
        return self.first_row + int(self.batch.num_rows)


class JournalTail:
    """The rows in the journals of one recording that are in no part, by stream."""

    loose_most: ClassVar[int] = 64
    """Most batches of a stream that are left as they were written."""

    def __init__(self, folder: Location, schemas: Mapping[str, pa.Schema]) -> None:
        """`schemas`: stream -> its columns."""
        self._folder = folder
        self._schemas = schemas
        self._unfit: dict[int, str] = {}
        self._journals: dict[int, JournalReader] = {}
        self._unreadable: dict[int, str] = {}
        self._runs: dict[str, list[TailRun]] = {stream: [] for stream in schemas}
        # Stream -> the row from which on batches may be joined.
        self._loose_from: dict[str, int] = {}
        self.limits: dict[int, LimitsRevision] = {}
        """Limits that were put into force, by number; recording.json may not have them yet."""

    def runs_of(self, stream: str) -> list[TailRun]:
        """Return the runs of a stream in order of their rows; not to be changed."""
        return self._runs[stream]

    def read_new(self, is_sealed: Callable[[str, int], bool]) -> bool:
        """Read the rows that were written since the last call; return whether there were any.

        `is_sealed(stream, row)` returns whether a part holds that row: a part may have been listed
        before the end of its journal is read.
        """
        if isinstance(self._folder, Address):
            return False
        path_by_number = dict(journal_files(self._folder))
        for number in list(self._journals):
            if number not in path_by_number:
                del self._journals[number]
                self._unreadable.pop(number, None)
                self._unfit.pop(number, None)
        # The newest first: a journal is made ahead, and gets its first row after the last one of
        # the journal before, whose rows are therefore all there when it is read next.
        new_runs = [
            (number, self._read_journal(number, path))
            for number, path in reversed(path_by_number.items())
        ]
        news = False
        for number, rows in reversed(new_runs):
            for row in rows:
                if row.stream == LIMITS_STREAM:
                    self.limits |= revisions_in(row.first_row, row.batch)
                if row.stream not in self._runs or row.batch.num_rows == 0:
                    continue
                if is_sealed(row.stream, row.first_row):
                    continue
                if fault := rows_fault(
                    row.batch, self._schemas[row.stream], first_row=row.first_row
                ):
                    self._unfit[number] = f"rows of {row.stream}: {fault}"
                    continue
                batch = self._with_all_columns(row)
                times = batch.column(0).cast(pa.int64())
                self._runs[row.stream].append(
                    TailRun(row.first_row, batch, times[0].as_py(), times[-1].as_py(), number)
                )
                news = True
        return news

    def _read_journal(self, number: int, path: Path) -> list[RowRun]:
        """Return what was written into a journal since the last call."""
        reader = self._journals.setdefault(number, JournalReader(path))
        try:
            rows = list(reader.read_new_rows())
        except FileNotFoundError:
            # It became parts meanwhile.
            return []
        except OSError as fault:
            # As with a damaged part: the rest is read, and `describe_missing` reports it.
            self._unreadable[number] = fault.strerror or str(fault)
            return []
        self._unreadable.pop(number, None)
        return rows

    def _with_all_columns(self, row: RowRun) -> pa.RecordBatch:
        """Return rows with the columns of their stream, so that all of them can be joined.

        Events keep those that they lack, by which `older_events` knows which recorder wrote them.
        """
        schema = self._schemas[row.stream]
        if row.stream == "events":
            schema = pa.schema([field for field in schema if field.name in row.batch.schema.names])
        if row.batch.schema.equals(schema):
            return row.batch
        return conform(pa.Table.from_batches([row.batch]), schema).to_batches()[0]

    def drop_sealed(self, stream: str, is_sealed: Callable[[int], bool]) -> None:
        """Remove the rows of a stream that a part holds by now."""
        self._runs[stream] = [run for run in self._runs[stream] if not is_sealed(run.first_row)]

    def put_together(self) -> None:
        """Join the newest batches of each stream that has many of them.

        Never across two journals: a part holds the rows of one journal, and `drop_sealed` removes
        whole runs.
        """
        for stream, runs in self._runs.items():
            self._put_together_in(stream, runs)

    def _put_together_in(self, stream: str, runs: list[TailRun]) -> None:
        row, index = self._loose_from.get(stream, 0), len(runs)
        while index and runs[index - 1].first_row >= row:
            index -= 1
        together: list[TailRun] = []
        for journal, group in groupby(runs[index:], key=lambda run: run.journal):
            loose = list(group)
            # An older journal gets no more rows.
            least = self.loose_most if journal == runs[-1].journal else 2
            if len(loose) < least or not _follow_each_other(loose):
                together += loose
                continue
            table = pa.Table.from_batches([run.batch for run in loose]).combine_chunks()
            whole = replace(loose[0], batch=table.to_batches()[0], last_ns=loose[-1].last_ns)
            together.append(whole)
            self._loose_from[stream] = whole.end_row
        runs[index:] = together

    def unreadable(self) -> Sequence[str]:
        """Return which journals cannot be read, in sentences."""
        return [
            f"journal {number:08d} cannot be read: {fault}"
            for number, fault in sorted({**self._unfit, **self._unreadable}.items())
        ]

    def journals(self) -> Sequence[JournalReader]:
        """Return the journals as far as they were read, in order."""
        return [reader for _, reader in sorted(self._journals.items())]

    def remainders(self) -> Sequence[str]:
        """Return a sentence for each journal about bytes that hold no whole record; "" for none."""
        return [reader.unread_text() for _, reader in sorted(self._journals.items())]


def check_finished(address: Address, manifest: Manifest) -> None:
    """Raise InputError for a recording at an address whose newest rows are not in parts."""
    journal = address / JOURNAL_FOLDER
    unsealed = journal.is_dir() and any(
        journal_path.suffix == ".journal" for journal_path in journal.iterdir()
    )
    if manifest.ended_ns is None or unsealed:
        raise InputError(
            f"{address}: this recording {'has rows in its journal' if unsealed else 'has no end'}: "
            "it was copied while it was written, or cut short. Only finished recordings are read "
            "from an address. End it, or `dutytrace seal` it in its folder, and copy it again."
        )


def _follow_each_other(runs: Sequence[TailRun]) -> bool:
    rows = sum(int(run.batch.num_rows) for run in runs)
    return runs[-1].end_row - runs[0].first_row == rows
