"""The writer of a live recording: journal first, then parts.

`append_rows` takes rows; `tick` flushes them to the kernel every 50 ms (of several buses 20), syncs
them every second, and has them sealed into parts, after 2 s at first and then ever less often. No
rows are kept in memory: parts are made of the journal. Whatever waits for the disk (to sync, to
close a journal and make the next, to replace recording.json) is done on a thread of its own, parts
are made by a process of their own, so that no flush waits for a slow disk; a fault there is raised
by the next call. One thread calls this; the lock keeps other processes out.
"""

import contextlib
import shutil
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

import pyarrow as pa

from logger.errors import InputError, OutsideFault
from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench
from logger.store.layout.files import INBOX_FOLDER, JOURNAL_FOLDER, is_outside_fault, make_folder
from logger.store.layout.journaled_limits import LIMITS_STREAM, limits_rows
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import (
    ClockAnchor,
    LimitsRevision,
    Manifest,
    read_manifest,
    write_manifest,
)
from logger.store.parts.part import list_parts
from logger.store.writing.disk_thread import DiskThread
from logger.store.writing.flush_policy import DEFAULT_FLUSH_POLICY, FlushPolicy
from logger.store.writing.journal import JournalWriter, journal_files
from logger.store.writing.journal_sealing import SealOrder, Unread, seal_journals
from logger.store.writing.part_maker import (
    PartMaker,
    SealingInterrupted,
    seal_in_process,
)
from logger.store.writing.row_writer import RowWriter
from logger.store.writing.sealer import Sealer
from logger.store.writing.write_faults import (
    cannot_begin,
    cannot_resume,
    cannot_write,
    journal_gone,
    recording_moved,
)

__all__ = ["RecordingWriter"]

T = TypeVar("T")


MAX_BYTES_SEALED_HERE: Final = 8_000_000
"""Bytes of journals that the recorder's own process makes parts of when it ends; more would take
memory that it has not had until then, and longer than a process takes to start."""


class RecordingWriter(RowWriter):
    """Writes one recording from its first row to its end."""

    def __init__(
        self,
        path: Path,
        manifest: Manifest,
        bench: Bench,
        *,
        now_s: float,
        flush_policy: FlushPolicy = DEFAULT_FLUSH_POLICY,
    ) -> None:
        """Make the recording folder and take its lock; `now_s` is the time of any steady clock.

        Raises
        ------
        InputError
            The folder exists already, or cannot be made.
        OutsideFault
            The disk is full already; nothing is left behind.
        """
        try:
            make_folder(path)
        except FileExistsError:
            raise InputError(
                f"{path}: this already exists, expected a new folder for the recording. Choose "
                "another with --out, or resume it with --continue."
            ) from None
        except OSError as fault:
            if is_outside_fault(fault):
                raise cannot_begin(path, fault) from fault
            raise InputError(
                f"{path}: the recording folder cannot be made ({fault.strerror}). Choose another "
                "with --out, or make its parent writable."
            ) from None
        try:
            lock = WriteLock(path)
        except (InputError, OutsideFault):
            shutil.rmtree(path, ignore_errors=True)
            raise
        try:
            (path / JOURNAL_FOLDER).mkdir()
            (path / INBOX_FOLDER).mkdir()
            self._open(path, manifest, bench, lock=lock, now_s=now_s, flush_policy=flush_policy)
        except OSError as fault:
            lock.release()
            shutil.rmtree(path, ignore_errors=True)
            raise cannot_begin(path, fault) from fault

    @classmethod
    def resume(
        cls,
        path: Path,
        bench: Bench,
        *,
        clock: ClockAnchor,
        now_s: float,
        flush_policy: FlushPolicy = DEFAULT_FLUSH_POLICY,
    ) -> "RecordingWriter":
        """Open a sealed recording to resume it; `clock` anchors its time from here on.

        Raises
        ------
        InputError
            It is no recording, or another process writes it.
        OutsideFault
            The disk is full.
        """
        lock = WriteLock(path)
        writer = cls.__new__(cls)
        try:
            manifest = read_manifest(path)
            (path / JOURNAL_FOLDER).mkdir(exist_ok=True)
            (path / INBOX_FOLDER).mkdir(exist_ok=True)
            reopened = manifest.model_copy(
                update={
                    "ended_ns": None,
                    "end_cause": "",
                    "rows": {},
                    "resumed": (*manifest.resumed, clock),
                }
            )
            writer._open(path, reopened, bench, lock=lock, now_s=now_s, flush_policy=flush_policy)
            for stream in writer._streams:
                # After all rows that there ever were: where the last are lost, their numbers stay
                # missing.
                ends = [part.end_row for part in list_parts(path / stream)]
                writer._rows[stream] = max([manifest.rows.get(stream, 0), *ends])
            Sealer(path, bench, recording_id=manifest.recording_id).reopen()
        except OSError as fault:
            lock.release()
            raise cannot_resume(path, fault) from fault
        except BaseException:
            lock.release()
            raise
        return writer

    def _open(
        self,
        path: Path,
        manifest: Manifest,
        bench: Bench,
        *,
        lock: WriteLock,
        now_s: float,
        flush_policy: FlushPolicy,
    ) -> None:
        super().__init__(bench)
        self.path = path
        self.manifest = manifest
        self._lock = lock
        self._flush_policy = flush_policy
        self._flush_s = flush_policy.flush_s_for(len(bench.buses))
        write_manifest(path, manifest)
        self._stored_manifest = manifest
        self._journal = JournalWriter(path / JOURNAL_FOLDER, number=0)
        self._journal_rows = 0
        self._disk = DiskThread("sync")
        self._syncing: Future[None] | None = None
        self._next_journal = self._disk.submit(self._make_next, self._journal)
        self._seal = flush_policy.seal or partial(seal_in_process, lock_descriptor=lock.descriptor)
        self._parts = PartMaker(path, self._seal)
        self._flushed_s = self._synced_s = self._rolled_s = now_s
        self._next_part_s = flush_policy.first_part_s

    def _store_rows(self, stream: str, first_row: int, batch: pa.RecordBatch) -> None:
        self._journal.append_rows(stream, first_row, batch)
        self._journal_rows += batch.num_rows

    def tick(self, now_s: float) -> None:
        """Flush, sync and seal what is due; `now_s` by the clock of `__init__`.

        Raises
        ------
        OutsideFault
            The disk took no more; what had been written is whole.
        """
        policy = self._flush_policy
        try:
            self._disk.raise_fault()
            self._parts.raise_fault()
            if now_s - self._flushed_s >= self._flush_s:
                self._journal.flush()
                self._flushed_s = now_s
                self._check_still_here()
            is_syncing = self._syncing is not None and not self._syncing.done()
            if not is_syncing and now_s - self._synced_s >= policy.sync_s:
                self._journal.flush()
                self._syncing = self._disk.submit(self._journal.sync_flushed)
                self._synced_s = now_s
            full = self._journal_rows >= policy.max_rows
            # On a slow disk the next journal may not be there yet: this one goes on until it is.
            if (full or now_s - self._rolled_s >= self._next_part_s) and self._next_journal.done():
                self._roll_journal(now_s)
        except OSError as fault:
            raise self._write_error(fault) from fault

    def _roll_journal(self, now_s: float) -> None:
        """Begin a new journal, and have parts made of the old one."""
        self._journal.flush()
        rolled, self._journal = self._journal, self._next_journal.result()
        self._journal_rows = 0
        self._disk.submit(self._close_rolled, rolled)
        self._next_journal = self._disk.submit(self._make_next, self._journal)
        self._rolled_s = now_s
        self._next_part_s = self._flush_policy.part_s_after(self._next_part_s)

    def _close_rolled(self, journal: JournalWriter) -> None:
        """Close a journal and have parts made of it; for the disk thread."""
        journal.close()
        # It has to have the limits that this journal holds, for they go with it.
        self._write_newest_manifest()
        self._parts.make_parts(before=journal.number + 1)

    def _make_next(self, journal: JournalWriter) -> JournalWriter:
        """Make the journal that follows, ahead of its first row; for the disk thread."""
        self._check_folder()
        return journal.make_next()

    def _check_still_here(self) -> None:
        """Raise OutsideFault when folder or journal was moved or removed; the caller has flushed.

        Rows that are written from there on would be found by nobody.
        """
        self._check_folder()
        if not self._journal.is_in_place():
            raise journal_gone(self.path, self._journal.path)

    def _check_folder(self) -> None:
        """Raise OutsideFault when the folder was moved: another may have its name by now."""
        if not self._lock.is_in_place():
            raise recording_moved(self.path)

    def take_remarks(self) -> list[tuple[EventKind, str]]:
        """Return what the recording's events should tell of its files, since the last call."""
        remarks = []
        while not self._parts.interruptions.empty():
            reason = self._parts.interruptions.get()
            remarks.append(
                (
                    EventKind.PARTS_WAIT,
                    f"No parts could be made ({reason}). It is tried again; until then the rows "
                    "stay in the journal, where everything reads them.",
                )
            )
        remarks += [
            (EventKind.ROWS_LOST, f"The disk gave back other bytes than were written: {sentence}")
            for sentence in self._take_unread()
        ]
        return remarks

    def _take_unread(self) -> list[str]:
        """Return what could not be read of journals; recording.json keeps it for good."""
        sentences = []
        while not self._parts.unread.empty():
            sentences.append(self._parts.unread.get().sentence)
        if sentences:
            missing = tuple(dict.fromkeys((*self.manifest.missing, *sentences)))
            self.restate(missing=missing)
        return sentences

    def record_limits(self, text: str, *, from_ns: int) -> None:
        """Record limits that were put into force, verbatim.

        They stand in the journal with the rows that follow; recording.json has them a little later.
        """
        revision = LimitsRevision(from_ns=from_ns, text=text)
        taken = self.manifest.limits_taken
        self._journal.append_rows(LIMITS_STREAM, len(taken), limits_rows(revision))
        self.restate(limits_taken=(*taken, revision))

    def do_on_disk(self, task: Callable[[Path], T]) -> "Future[T]":
        """Do something to files beside the rows, on the disk thread, in the order of the calls.

        `task`: is given the recording's folder.
        """
        return self._disk.submit(self._do_in_place, task)

    def _do_in_place(self, task: Callable[[Path], T]) -> T:
        self._check_folder()
        return task(self.path)

    def restate(self, **fields: object) -> None:
        """Replace fields of recording.json, on the disk thread."""
        self.manifest = self.manifest.model_copy(update=fields)
        self._disk.submit(self._write_newest_manifest)

    def _write_newest_manifest(self) -> None:
        """Write recording.json unless it is there already; for the disk thread."""
        newest = self.manifest
        self._check_folder()
        if newest is not self._stored_manifest:
            write_manifest(self.path, newest)
            self._stored_manifest = newest

    def close(self, *, ended_ns: int, cause: str) -> None:
        """Seal everything, write the end into recording.json and release the lock.

        Raises
        ------
        OutsideFault
            The disk took no more; the journal holds what could not be sealed.
        """
        try:
            self._disk.wait()
            self._parts.stop()
            self._journal.flush()
            self._check_still_here()
            self._journal.close()
            self._next_journal.result().close()
            for unread in self._seal_rest(ended_ns):
                self._parts.unread.put(unread)
            self._take_unread()
            self.restate(ended_ns=ended_ns, end_cause=cause, rows=dict(self._rows))
            self._disk.wait()
        except OSError as fault:
            raise self._write_error(fault) from fault
        finally:
            self.abandon()

    def _seal_rest(self, ended_ns: int) -> tuple[Unread, ...]:
        """Make parts of all journals that are left; the recording ended at `ended_ns`."""
        order = SealOrder(recording=self.path, until_ns=ended_ns)
        journals = journal_files(self.path / JOURNAL_FOLDER)
        if sum(path.stat().st_size for _, path in journals) > MAX_BYTES_SEALED_HERE:
            with contextlib.suppress(SealingInterrupted):
                return self._seal(order)
        return seal_journals(order)

    def abandon(self) -> None:
        """Release the lock without an end; what was written stays as a crash would leave it."""
        self._disk.shutdown()
        self._parts.stop()
        # A full disk refuses the rest; what it took is a prefix.
        with contextlib.suppress(OSError):
            self._journal.close()
        with contextlib.suppress(OSError):
            self._next_journal.result().close()
        self._lock.release()

    def _write_error(self, fault: OSError) -> OutsideFault:
        if isinstance(fault, OutsideFault):
            return fault
        if not self._lock.is_in_place():
            return recording_moved(self.path)
        return cannot_write(self.path, fault)
