"""The writer of a live recording: journal first, then parts.

`append_rows` takes rows; `tick` flushes them to the kernel every 50 ms, syncs them every second,
and seals them into parts, after 2 s at first and then ever less often. Syncing and sealing run on
threads of their own, so that no flush waits for a slow disk; a fault there is raised by the next
call. One thread calls this; the lock keeps other processes out.
"""

import contextlib
import math
import shutil
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pyarrow as pa

from logger.errors import InputError, OutsideFault
from logger.joint.bench.bench import Bench
from logger.store.layout.files import (
    INBOX_FOLDER,
    JOURNAL_FOLDER,
    is_disk_full,
    is_outside_fault,
    make_folder,
    sync_folder,
)
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import (
    ClockAnchor,
    LimitsRevision,
    Manifest,
    read_manifest,
    write_manifest,
)
from logger.store.parts.part import list_parts
from logger.store.writing.journal import JournalWriter, journal_files
from logger.store.writing.row_buffer import RowBuffer
from logger.store.writing.sealer import Run, Sealer

__all__ = ["FlushPolicy", "RecordingWriter", "longest_journal_s"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlushPolicy:
    """How often rows are flushed, synced and sealed."""

    flush_s: float = 0.05
    sync_s: float = 1.0
    first_part_s: float = 2.0
    """Length of the first part; each is `PART_GROWTH` times as long as the one before."""
    max_part_s: float = 600.0
    max_rows: int = 1_000_000
    """Buffered rows, of all streams together, that start a part before its time."""


PART_GROWTH: Final = 4
"""Ratio of the lengths of two successive parts: full length within a quarter of an hour."""
DEFAULT_FLUSH_POLICY: Final = FlushPolicy()


def longest_journal_s(number: int) -> float:
    """Return for how long the journal of that number lasts at most; a slow disk may add to it."""
    policy = DEFAULT_FLUSH_POLICY
    growth = math.pow(PART_GROWTH, min(number, 16))
    return min(policy.first_part_s * growth, policy.max_part_s)


class RecordingWriter(RowBuffer):
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
                raise _cannot_begin_error(path, fault) from fault
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
            raise _cannot_begin_error(path, fault) from fault

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
            writer._sealer.reopen_carry()
        except OSError as fault:
            lock.release()
            raise OutsideFault(
                f"{path}: the recording cannot be resumed ({fault.strerror or fault}); "
                "nothing was added. Free some room, then try again."
            ) from fault
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
        write_manifest(path, manifest)
        self._journal = JournalWriter(path / JOURNAL_FOLDER, number=0)
        sync_folder(path / JOURNAL_FOLDER)
        self._sealer = Sealer(path, bench, recording_id=manifest.recording_id)
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="seal")
        self._sealing: Future[None] | None = None
        self._syncer = ThreadPoolExecutor(1, thread_name_prefix="sync")
        self._syncing: Future[None] | None = None
        self._flushed_s = self._synced_s = self._rolled_s = now_s
        self._next_part_s = flush_policy.first_part_s

    def append_rows(self, stream: str, batch: pa.RecordBatch) -> None:
        """Add rows to a stream; raises KeyError for a stream that the recording does not have."""
        if batch.num_rows:
            self._journal.append_rows(stream, self._rows[stream], batch)
            super().append_rows(stream, batch)

    def tick(self, now_s: float) -> None:
        """Flush, sync and seal what is due; `now_s` by the clock of `__init__`.

        Raises
        ------
        OutsideFault
            The disk took no more; what had been written is whole.
        """
        try:
            if self._sealing is not None and self._sealing.done():
                self._sealing.result()
                self._sealing = None
            if now_s - self._flushed_s >= self._flush_policy.flush_s:
                self._journal.flush()
                self._flushed_s = now_s
                self._check_still_here()
            if self._syncing is not None and self._syncing.done():
                self._wait_for_sync()
            if self._syncing is None and now_s - self._synced_s >= self._flush_policy.sync_s:
                self._journal.flush()
                self._syncing = self._syncer.submit(self._journal.sync_flushed)
                self._synced_s = now_s
            full = self._buffered_rows() >= self._flush_policy.max_rows
            if full and self._sealing is not None:
                self._sealing.result()
                self._sealing = None
            if self._sealing is None and (full or now_s - self._rolled_s >= self._next_part_s):
                self._roll_journal(now_s)
        except OSError as fault:
            raise self._write_error(fault) from fault

    def _wait_for_sync(self) -> None:
        syncing, self._syncing = self._syncing, None
        if syncing is not None:
            syncing.result()

    def _roll_journal(self, now_s: float) -> None:
        """Begin a new journal, and start to make parts of the rows of the old one."""
        self._wait_for_sync()
        old_journal = self._journal
        old_journal.close()
        self._journal = JournalWriter(self.path / JOURNAL_FOLDER, number=old_journal.number + 1)
        sync_folder(self.path / JOURNAL_FOLDER)
        self._sealing = self._executor.submit(
            self._seal_part, self._take_buffered(), old_journal.path
        )
        self._rolled_s = now_s
        self._next_part_s = min(self._next_part_s * PART_GROWTH, self._flush_policy.max_part_s)

    def _check_still_here(self) -> None:
        """Raise OutsideFault when the folder was moved or removed; the caller has flushed."""
        if not self._lock.is_in_place():
            raise self._moved_error()

    def _moved_error(self) -> OutsideFault:
        return OutsideFault(
            f"{self.path}: the recording was moved, renamed or removed while it was written, "
            "expected it to stay until its logger has ended. What was written until then is whole "
            "where the folder is now: `dutytrace seal` finishes it there."
        )

    def _seal_part(self, rows: dict[str, list[Run]], journal: Path) -> None:
        self._sealer.seal_rows(rows)
        journal.unlink()

    def close(self, *, ended_ns: int, cause: str) -> None:
        """Seal everything, write the end into recording.json and release the lock.

        Raises
        ------
        OutsideFault
            The disk took no more; the journal holds what could not be sealed.
        """
        try:
            if self._sealing is not None:
                self._sealing.result()
                self._sealing = None
            self._wait_for_sync()
            self._journal.close()
            self._check_still_here()
            self._sealer.seal_rows(self._take_buffered(), until_ns=ended_ns)
            for _, journal in journal_files(self.path / JOURNAL_FOLDER):
                journal.unlink()
            self.manifest = self.manifest.model_copy(
                update={"ended_ns": ended_ns, "end_cause": cause, "rows": dict(self._rows)}
            )
            write_manifest(self.path, self.manifest)
        except OSError as fault:
            raise self._write_error(fault) from fault
        finally:
            self.abandon()

    def record_limits(self, text: str, *, from_ns: int) -> None:
        """Record limits that were put into force, verbatim; raises OutsideFault on a full disk."""
        revisions = (*self.manifest.limits_taken, LimitsRevision(from_ns=from_ns, text=text))
        self.manifest = self.manifest.model_copy(update={"limits_taken": revisions})
        try:
            write_manifest(self.path, self.manifest)
        except OSError as fault:
            raise self._write_error(fault) from fault

    def abandon(self) -> None:
        """Release the lock without an end; what was written stays as a crash would leave it."""
        self._executor.shutdown(wait=True)
        self._syncer.shutdown(wait=True)
        # A full disk refuses the rest; what it took is a prefix.
        with contextlib.suppress(OSError):
            self._journal.close()
        self._lock.release()

    def _write_error(self, fault: OSError) -> OutsideFault:
        if isinstance(fault, OutsideFault):
            return fault
        if not self._lock.is_in_place():
            return self._moved_error()
        return OutsideFault(
            f"{self.path}: the recording cannot be written any further "
            f"({fault.strerror or fault}). What was written until then is whole; "
            f"{_remedy(fault)}, then resume it with `dutytrace record --continue {self.path}`."
        )


def _cannot_begin_error(path: Path, fault: OSError) -> OutsideFault:
    return OutsideFault(
        f"{path}: the recording cannot begin ({fault.strerror or fault}); nothing was recorded. "
        f"{_remedy(fault).capitalize()}, then record again."
    )


def _remedy(fault: OSError) -> str:
    return "free some room" if is_disk_full(fault) else "see that its folder can be written"
