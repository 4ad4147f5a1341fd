"""What a crash left, made into parts; and a single event, when no logger runs.

Both take the recording's lock first. Sealing twice changes nothing.
"""

import time
from pathlib import Path

import pyarrow as pa

from logger.errors import InputError, OutsideFault
from logger.store.events import events_table
from logger.store.files import JOURNAL
from logger.store.inbox import Request, event_of, take, waiting
from logger.store.journal import JournalReader, journal_files
from logger.store.lock import WriteLock
from logger.store.manifest import CUT_SHORT, write_manifest
from logger.store.parts import list_parts, write_part
from logger.store.read import RecordingReader
from logger.store.sealing import Run, Sealer

__all__ = ["append_event", "seal", "take_late"]


def seal(path: Path) -> bool:
    """Make parts of what the journals of a recording hold, and events of waiting requests.

    Returns
    -------
    bool
        Whether there was anything.

    Raises
    ------
    InputError
        It is no recording, or a logger is writing it.
    OutsideFault
        The disk took no more; the journals are still there.
    """
    with WriteLock(path):
        sealed = _seal(path)
    take_late(path)
    return sealed


def append_event(path: Path, request: Request) -> None:
    """Make an event of a request when nobody writes the recording.

    Raises
    ------
    InputError
        It is no recording, or a logger is writing it.
    OutsideFault
        The disk took no more.
    """
    with WriteLock(path):
        _seal(path)
        _append(path, [request])
    take_late(path)


def take_late(path: Path) -> None:
    """Make events of what was asked while the lock was held; for whoever has just given it back.

    Who asked saw that there is a writer and left the request to it. A writer that came meanwhile
    takes them itself.

    Raises
    ------
    OutsideFault
        The disk took no more.
    """
    taken = True
    while taken and waiting(path):
        try:
            with WriteLock(path):
                taken = _seal(path)
        except InputError:
            return


def _append(path: Path, requests: list[Request]) -> None:
    events = RecordingReader(path).events()
    first = events[-1].sequence + 1 if events else 0
    # The wall clock: the recording's own axis ended with its recorder.
    time_ns = time.time_ns()
    made = [
        event_of(request, sequence=first + place, time_ns=time_ns)
        for place, request in enumerate(requests)
    ]
    parts = list_parts(path / "events")
    try:
        write_part(
            path / "events",
            pa.Table.from_batches([events_table(made)]),
            first_row=parts[-1].end_row if parts else 0,
        )
    except OSError as fault:
        raise OutsideFault(
            f"{path}: the recording cannot be written on ({fault.strerror or fault})."
        ) from fault


def _seal(path: Path) -> bool:
    sealed = _seal_rows(path)
    # What the recorder was asked for and did not live to do.
    requests = take(path)
    if requests:
        _append(path, requests)
    return sealed or bool(requests)


def _seal_rows(path: Path) -> bool:
    reader = RecordingReader(path)
    journals = journal_files(path / JOURNAL)
    if not journals and reader.manifest.ended_ns is not None:
        return False
    sealed = {
        stream: [(part.first_row, part.end_row) for part in list_parts(path / stream)]
        for stream in reader.schemas
    }
    rows: dict[str, list[Run]] = {}
    for _, journal in journals:
        try:
            for run in JournalReader(journal).rows():
                covered = any(first <= run.first_row < end for first, end in sealed[run.stream])
                if not covered:
                    rows.setdefault(run.stream, []).append((run.first_row, run.batch))
        except OSError as fault:
            raise OutsideFault(
                f"{journal}: this journal cannot be read ({fault.strerror or fault}); nothing was "
                "sealed. Take it out of the recording to seal the rest without it."
            ) from fault
    sealer = Sealer(path, reader.bench)
    sealer.resume()
    ends = [span[1] for stream in reader.schemas if (span := reader.span_ns(stream))]
    ended_ns = max(ends, default=reader.manifest.started_ns) + 1
    try:
        sealer.seal(rows, until_ns=ended_ns)
        for _, journal in journals:
            journal.unlink()
        if reader.manifest.ended_ns is None:
            write_manifest(
                path,
                reader.manifest.model_copy(
                    update={
                        "ended_ns": ended_ns,
                        "end_cause": CUT_SHORT,
                        "rows": {stream: reader.rows(stream) for stream in reader.schemas},
                    }
                ),
            )
    except OSError as fault:
        raise OutsideFault(
            f"{path}: the recording cannot be sealed ({fault.strerror or fault}); its journals are "
            "still there."
        ) from fault
    return bool(rows) or bool(journals)
