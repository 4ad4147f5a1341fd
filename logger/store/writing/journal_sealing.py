"""Makes parts of journals: while a recording runs, at its end, and after a crash.

A journal is removed once all its rows are in whole parts. One with bytes that hold no whole record,
because the disk returned other bytes than were written, is renamed to `.unreadable` and kept.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from logger.store.layout.files import JOURNAL_FOLDER, sync_folder
from logger.store.layout.manifest import read_manifest
from logger.store.layout.row_check import footer_check
from logger.store.layout.schema import stream_schemas
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import list_parts
from logger.store.writing.journal import JournalReader, RowRun, journal_files
from logger.store.writing.sealer import Run, Sealer

__all__ = ["SealOrder", "Unread", "join_runs", "remove_journal", "seal_journals", "unsealed_rows"]

_LOOSE_MOST: Final = 256
"""Most batches of a stream that are kept as they were written: each takes 5 kB beside its rows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealOrder:
    """Which journals of a recording become parts."""

    recording: Path
    before: int | None = None
    """Only journals with a lower number; None: all of them."""
    until_ns: int | None = None
    """When the recording ended; None: it goes on."""

    def to_fields(self) -> dict[str, object]:
        """Return it as plain values, which JSON can hold."""
        return {
            "recording": str(self.recording.absolute()),
            "before": self.before,
            "until_ns": self.until_ns,
        }

    @classmethod
    def from_fields(cls, fields: Mapping[str, Any]) -> "SealOrder":
        """Return the order of `to_fields`; other fields are ignored."""
        return cls(
            recording=Path(fields["recording"]),
            before=fields["before"],
            until_ns=fields["until_ns"],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """Bytes at the end of a journal that hold no whole record."""

    journal: int
    """Number of the journal."""
    sentence: str


def seal_journals(order: SealOrder) -> tuple[Unread, ...]:
    """Make parts of journals, oldest first; what cannot be read of them is returned.

    The caller holds the recording's lock, or was started by the process that holds it.

    Raises
    ------
    OSError
        The disk took no more; the journals that are not in parts are still there.
    InputError
        It is no recording (any more).
    """
    manifest = read_manifest(order.recording)
    bench = manifest.read_bench(str(order.recording))
    recording_id, schemas = manifest.recording_id, stream_schemas(bench)
    sealer = Sealer(order.recording, bench, recording_id=recording_id)
    sealer.resume_carry()
    unread = []
    for number, path in journal_files(order.recording / JOURNAL_FOLDER):
        if order.before is not None and number >= order.before:
            break
        journal = JournalReader(path)
        # One journal at a time, so that its size bounds the memory that this takes.
        runs = join_runs(journal.read_new_rows())
        sealer.seal_rows(unsealed_rows(order.recording, schemas, runs, recording_id=recording_id))
        if sentence := journal.unread_text():
            unread.append(Unread(journal=number, sentence=sentence))
        remove_journal(journal)
    if order.until_ns is not None:
        sealer.seal_rows({}, until_ns=order.until_ns)
    return tuple(unread)


def join_runs(runs: Iterable[RowRun]) -> list[RowRun]:
    """Return runs with those joined that follow each other in a stream; in order within each."""
    joined: list[RowRun] = []
    loose: dict[str, list[RowRun]] = {}
    for run in runs:
        if run.batch.num_rows == 0:
            continue
        own = loose.setdefault(run.stream, [])
        follows = not own or (
            own[-1].first_row + own[-1].batch.num_rows == run.first_row
            and own[-1].batch.schema.equals(run.batch.schema)
        )
        if not follows or len(own) >= _LOOSE_MOST:
            joined.append(_joined(own))
            own.clear()
        own.append(run)
    return joined + [_joined(own) for own in loose.values()]


def _joined(runs: Sequence[RowRun]) -> RowRun:
    if len(runs) == 1:
        return runs[0]
    table = pa.Table.from_batches([run.batch for run in runs]).combine_chunks()
    return RowRun(runs[0].stream, runs[0].first_row, table.to_batches()[0])


def unsealed_rows(
    recording: Path,
    schemas: Mapping[str, pa.Schema],
    runs: Iterable[RowRun],
    *,
    recording_id: str,
) -> dict[str, list[Run]]:
    """Return the rows of `runs` that are in no whole part of their stream yet.

    `schemas`: stream -> its columns; runs of other streams are left out.


    A damaged part whose rows the journal still has is renamed to `.damaged`: they are sealed again.
    """
    own_runs: dict[str, list[RowRun]] = {}
    for run in runs:
        if run.stream in schemas:
            own_runs.setdefault(run.stream, []).append(run)
    rows = {}
    for stream, of_stream in own_runs.items():
        sealed = []
        columns_fit = footer_check(schemas[stream])
        owner = PartOwner(recording_id, stream, columns_fit)
        for part in list_parts(recording / stream, owner):
            if not any(_overlaps(run, part.first_row, part.end_row) for run in of_stream):
                continue
            if part.verify_part():
                part.path.rename(part.path.with_name(f".{part.path.name}.damaged"))
            else:
                sealed.append((part.first_row, part.end_row))
        if missing := [piece for run in of_stream for piece in _outside(run, sealed)]:
            rows[stream] = missing
    return rows


def _overlaps(run: RowRun, first_row: int, end_row: int) -> bool:
    return run.first_row < end_row and first_row < run.first_row + run.batch.num_rows


def _outside(run: RowRun, sealed: Sequence[tuple[int, int]]) -> Iterator[Run]:
    """Yield the pieces of a run that lie outside of ranges of rows, given in order."""
    row, end = run.first_row, run.first_row + run.batch.num_rows
    for first_sealed, end_sealed in sealed:
        if end_sealed <= row or first_sealed >= end:
            continue
        if first_sealed > row:
            yield row, run.batch.slice(row - run.first_row, first_sealed - row)
        row = end_sealed
    if row < end:
        yield row, run.batch.slice(row - run.first_row)


def remove_journal(journal: JournalReader) -> None:
    """Remove a journal whose rows are sealed; one with unread bytes is renamed and kept."""
    if not journal.unread_bytes():
        journal.path.unlink(missing_ok=True)
        return
    kept_path = journal.path.with_suffix(".unreadable")
    while kept_path.exists():
        kept_path = kept_path.with_name(f"{kept_path.stem}-again.unreadable")
    journal.path.rename(kept_path)
    sync_folder(kept_path.parent)
