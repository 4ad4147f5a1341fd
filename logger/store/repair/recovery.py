"""Recovery after a crash: makes parts of journals, and events of requests that were left waiting.

Under the recording's lock. Sealing twice changes nothing. Nothing that was written is thrown away:
a journal is removed once all its rows are in whole parts, and one with bytes that cannot be read is
renamed to `.unreadable`.
"""

import contextlib
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Final

import pyarrow as pa

from logger.errors import InputError, OutsideFault
from logger.store.layout.events import events_table, raised_in
from logger.store.layout.files import INBOX_FOLDER, JOURNAL_FOLDER
from logger.store.layout.journaled_limits import LIMITS_STREAM
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import END_CUT_SHORT, read_manifest, write_manifest
from logger.store.layout.row_check import rows_fault
from logger.store.layout.schema import stream_schemas
from logger.store.parts.identity import PartOwner
from logger.store.parts.joined import is_joined, rejoin_parts
from logger.store.parts.part import list_parts
from logger.store.parts.part_writer import write_part
from logger.store.reading.cut_short import cut_short_after
from logger.store.reading.reader import RecordingReader
from logger.store.repair.rebuild_pyramid import rebuild_overviews
from logger.store.writing.inbox import (
    EventRequest,
    claimed_files,
    discard_done,
    pending_requests,
    queued_files,
    to_event,
)
from logger.store.writing.journal import JournalReader, RowRun, journal_files
from logger.store.writing.journal_sealing import join_runs, remove_journal, unsealed_rows
from logger.store.writing.request_files import file_of_request
from logger.store.writing.sealer import Sealer

__all__ = ["append_requests", "drain_inbox", "keep_findings", "seal", "seal_locked"]

_NEWEST_PARTS: Final = 8
"""Of each joint, that are looked at where a recorder shall go on: a crash concerns the last two."""


def seal(path: Path, *, every_part: bool = True) -> bool:
    """Make parts of the journals of a recording, and events of its waiting requests.

    Parts of the pyramid that are missing or damaged are computed again from their rows, and the
    copies of joined parts made again.

    Parameters
    ----------
    every_part
        Look at all of them, byte by byte, which takes minutes of a recording of months: what a
        person asks for who was told that an overview is damaged. False: only at the newest, all
        that a crash can have left undone, as a recorder does that shall go on at once. What is
        damaged elsewhere is read from its rows until somebody seals.

    Returns
    -------
    bool
        Whether anything was written.

    Raises
    ------
    InputError
        It is no recording, or a logger is writing it.
    OutsideFault
        The disk took no more; the journals are still there.
    """
    with WriteLock(path):
        was_sealed = seal_locked(path)
        was_sealed |= _rebuild_copies(path, newest=None if every_part else _NEWEST_PARTS)
        _remove_temporaries(path)
    drain_inbox(path)
    return was_sealed


def drain_inbox(path: Path) -> None:
    """Make events of requests that came while the lock was held; called after its release.

    Their senders saw a writer and left the requests to it. If another writer has the lock by now,
    it takes them itself.

    Raises
    ------
    OutsideFault
        The disk took no more.
    """
    has_more = True
    while has_more and (queued_files(path) or claimed_files(path)):
        try:
            with WriteLock(path):
                has_more = seal_locked(path)
        except InputError:
            return


def append_requests(path: Path, requests: Sequence[EventRequest]) -> None:
    """Append events of requests; the caller holds the lock.

    Raises
    ------
    OutsideFault
        The disk took no more.
    """
    reader = RecordingReader(path)
    events = reader.read_events()
    parts = list_parts(path / "events")
    # After all rows that there ever were: where the last are lost, their numbers stay missing.
    ends = [part.end_row for part in parts]
    first_row = max([reader.manifest.rows.get("events", 0), *ends])
    first = max([first_row, *(event.sequence + 1 for event in events)])
    # The wall clock: the recording's own axis ended with its recorder.
    time_ns = time.time_ns()
    raised = raised_in(events)
    made = [
        to_event(
            request,
            sequence=first + index,
            time_ns=time_ns,
            limits=reader.manifest.limits_in_force,
            raised=raised.get(request.alert),
        )
        for index, request in enumerate(requests)
    ]
    try:
        write_part(
            path / "events",
            pa.Table.from_batches([events_table(made)]),
            first_row=first_row,
            owner=PartOwner(reader.manifest.recording_id, "events"),
        )
    except OSError as fault:
        raise OutsideFault(
            f"{path}: the recording cannot be written to ({fault.strerror or fault})."
        ) from fault


def keep_findings(path: Path, requests: Sequence[EventRequest]) -> None:
    """Write the findings and attachments of requests that are not there yet, under the lock.

    Raises
    ------
    OutsideFault
        The disk took no more.
    """
    for request in requests:
        write = file_of_request(request)
        if write is None:
            continue
        try:
            write(path)
        except OSError as fault:
            raise OutsideFault(
                f"{path}: the {request.kind} cannot be kept ({fault.strerror or fault})."
            ) from fault


def seal_locked(path: Path) -> bool:
    """Make parts and events as `seal` does, without the pyramid; the caller holds the lock."""
    sealed = _seal_rows(path)
    # Requests that the recorder took or left waiting; events of some may be written already.
    requests = pending_requests(path)
    if not requests:
        return sealed
    # Of those that have their event as well: it is told before the finding is on the disk.
    keep_findings(path, [pending.request for pending in requests])
    events = list(RecordingReader(path).read_events())
    without_event = []
    for pending in requests:
        written = next((event for event in events if pending.matches_event(event)), None)
        if written is None:
            without_event.append(pending.request)
        else:
            events.remove(written)
    if without_event:
        append_requests(path, without_event)
    discard_done(pending.path for pending in requests)
    return sealed or bool(without_event)


def _seal_rows(path: Path) -> bool:
    journals = [JournalReader(journal) for _, journal in journal_files(path / JOURNAL_FOLDER)]
    if not journals and read_manifest(path).ended_ns is not None:
        return False
    reader = RecordingReader(path)
    manifest = reader.manifest
    runs = [run for journal in journals for run in _journal_runs(journal, reader.schemas)]
    remainders = [sentence for journal in journals if (sentence := journal.unread_text())]
    try:
        recording_id = manifest.recording_id
        ends = _end_rows(path, reader.schemas, runs)
        rows = unsealed_rows(path, reader.schemas, runs, recording_id=recording_id)
        ended_ns = manifest.ended_ns or 1 + max(
            (span[1] for stream in reader.schemas if (span := reader.span_ns(stream))),
            default=manifest.started_ns,
        )
        cuts = [] if manifest.ended_ns else [cut_short_after(ended_ns - 1, journals)]
        rebuild_overviews(
            path, reader.bench, ended_ns=None, recording_id=recording_id, newest=_NEWEST_PARTS
        )
        sealer = Sealer(path, reader.bench, recording_id=recording_id)
        sealer.resume_carry()
        sealer.seal_rows(rows, until_ns=ended_ns)
        if manifest.ended_ns is None or remainders:
            # Before the journals are removed: only they show what of them could not be read.
            write_manifest(
                path,
                manifest.model_copy(
                    update={
                        "ended_ns": ended_ns,
                        "end_cause": manifest.end_cause or END_CUT_SHORT,
                        "rows": {
                            stream: max(end, manifest.rows.get(stream, 0))
                            for stream, end in ends.items()
                        },
                        "missing": tuple(dict.fromkeys((*manifest.missing, *remainders))),
                        "cut_short": (*manifest.cut_short, *cuts),
                    }
                ),
            )
        for journal in journals:
            remove_journal(journal)
    except OSError as fault:
        raise OutsideFault(
            f"{path}: the recording cannot be sealed ({fault.strerror or fault}); its journals are "
            "still there."
        ) from fault
    return True


def _journal_runs(journal: JournalReader, schemas: Mapping[str, pa.Schema]) -> list[RowRun]:
    """Return the rows of a journal; raises InputError for such as the recording cannot have."""
    try:
        journal_rows = join_runs(journal.read_new_rows())
    except OSError as fault:
        raise OutsideFault(
            f"{journal.path}: this journal cannot be read ({fault.strerror or fault}); nothing was "
            "sealed. Take it out of the recording to seal the rest without it."
        ) from fault
    for run in journal_rows:
        if run.stream == LIMITS_STREAM:
            continue
        if run.stream not in schemas:
            raise InputError(
                f"{journal.path}: found rows of {run.stream}, which the bench in recording.json "
                "does not have; nothing was sealed. Put recording.json back as it was."
            )
        unfit = rows_fault(run.batch, schemas[run.stream], first_row=run.first_row)
        if unfit:
            raise InputError(
                f"{journal.path}: rows of {run.stream}: {unfit}; nothing was sealed. No recorder "
                "wrote them: take this journal out of the recording to seal the rest without it."
            )
    return journal_rows


def _end_rows(path: Path, streams: Iterable[str], runs: Iterable[RowRun]) -> dict[str, int]:
    """Return the end row of each stream, in parts and journals."""
    ends = {
        stream: max([part.end_row for part in list_parts(path / stream)], default=0)
        for stream in streams
    }
    for run in runs:
        if run.stream in ends:
            ends[run.stream] = max(ends[run.stream], run.first_row + int(run.batch.num_rows))
    return ends


def _rebuild_copies(path: Path, *, newest: int | None) -> bool:
    """Make what follows from the rows again where it is missing or damaged: overviews, copies."""
    manifest = read_manifest(path)
    bench = manifest.read_bench(str(path))
    recording_id = manifest.recording_id
    try:
        has_rebuilt = rebuild_overviews(
            path, bench, ended_ns=manifest.ended_ns, recording_id=recording_id, newest=newest
        )
        for stream in filter(is_joined, stream_schemas(bench)) if newest is None else ():
            has_rebuilt |= rejoin_parts(path, stream, recording_id=recording_id)
    except OSError as fault:
        raise OutsideFault(
            f"{path}: the overviews cannot be made again ({fault.strerror or fault}); the rows are "
            "whole, and are read without them."
        ) from fault
    return has_rebuilt


def _remove_temporaries(path: Path) -> None:
    """Remove files that a crash left half-written; not in the inbox, which others write to."""
    for temporary in path.rglob(".*.aside"):
        if temporary.parent.name != INBOX_FOLDER:
            with contextlib.suppress(OSError):
                temporary.unlink()
