"""The writer of a recording that is made at once, not live: no journal, whole or not at all.

What comes from a file can be read again, so nothing has to survive a crash. Rows are buffered until
there are many and become parts on a thread of its own. All files are written into a staging folder
next to the target, which is renamed once it is whole. Memory is bounded by the rows of two parts.
One thread calls this.
"""

import contextlib
import shutil
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pyarrow as pa

from logger.cancellation import stopped_error
from logger.errors import InputError, OutsideFault
from logger.joint.bench.bench import Bench
from logger.store.layout.files import (
    ATTACHMENTS_FOLDER,
    INBOX_FOLDER,
    LOCK_FILE,
    make_folder,
    status_stream,
    sync_folder,
)
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import Manifest, write_manifest
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part
from logger.store.parts.part_writer import copy_part
from logger.store.writing.attachment_files import carry_attachment_file
from logger.store.writing.finding_files import write_finding_file
from logger.store.writing.row_writer import RowWriter
from logger.store.writing.sealer import Run, Sealer

__all__ = [
    "BULK_PART_ROWS",
    "BulkWriter",
    "begin_staging",
    "discard_on_failure",
    "refuse_existing",
    "staging_path",
]

_LEAST_PART_ROWS: Final = 2000
"""Rows of a stream other than frames and readings that become a part before the end."""
BULK_PART_ROWS: Final = 500_000
"""Buffered rows, of all streams together, from which on each stream's become a part."""
_DEAD_AFTER_S: Final = 60.0
"""Age of a staging folder's lock from which on it counts that nobody holds it: a job takes the lock
in the instant after it made the file."""


def staging_path(path: Path) -> Path:
    """Return the folder of a recording until it is whole; readers and listings ignore it."""
    return path.with_name(f".{path.name}.aside")


class BulkWriter(RowWriter):
    """Writes one recording, which appears with `close` and not before."""

    def __init__(
        self, path: Path, manifest: Manifest, bench: Bench, *, part_rows: int = BULK_PART_ROWS
    ) -> None:
        """Make the staging folder; one that a killed run left is removed first.

        Raises
        ------
        InputError
            `path` exists already, cannot be made, or is being made by another process.
        OutsideFault
            The disk is full already; nothing is left behind.
        """
        super().__init__(bench)
        self._buffered: dict[str, list[Run]] = {}
        self._buffered_rows = 0
        self.path = path
        self.manifest = manifest
        self._part_rows = part_rows
        self._status_streams = {status_stream(joint.name) for joint in bench.joints}
        self._staging = staging_path(path)
        refuse_existing(path)
        self._lock = begin_staging(path)
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="seal")
        self._sealing: Future[None] | None = None
        try:
            (self._staging / INBOX_FOLDER).mkdir()
            write_manifest(self._staging, manifest)
        except OSError as fault:
            self.abandon()
            raise self._bulk_write_error(fault) from fault
        self._sealer = Sealer(self._staging, bench, recording_id=manifest.recording_id)

    def _store_rows(self, stream: str, first_row: int, batch: pa.RecordBatch) -> None:
        self._buffered.setdefault(stream, []).append((first_row, batch))
        self._buffered_rows += batch.num_rows

    def _take_buffered(self, *, is_end: bool) -> dict[str, list[Run]]:
        """Return the buffered rows by stream, and remove them from the buffer.

        Before the end those of slow streams (events, health) stay until they are worth a part: a
        day would have hundreds of them, each of which costs a reader a millisecond or more.
        """
        rows: dict[str, list[Run]] = {}
        for stream, runs in self._buffered.items():
            is_fast = stream == "frames" or stream in self._status_streams
            count = sum(batch.num_rows for _, batch in runs)
            if is_end or is_fast or count >= _LEAST_PART_ROWS:
                rows[stream] = runs
        for stream in rows:
            del self._buffered[stream]
        # What stays is little, and does not make the next parts any sooner.
        self._buffered_rows = 0
        return rows

    def carry_part(self, stream: str, part: Part) -> None:
        """Copy the rows of a part of another recording unchanged, in place of appending them.

        Raises
        ------
        OutsideFault
            The part cannot be read, or the disk took no more.
        """
        try:
            owner = PartOwner(self.manifest.recording_id, stream)
            copy_part(part, self._staging / stream, owner)
        except OSError as fault:
            raise self._bulk_write_error(fault) from fault
        self._rows[stream] = part.end_row

    def carry_finding(self, finding_id: str, content: bytes) -> None:
        """Take over a finding of another recording, as it was written there.

        Raises
        ------
        OutsideFault
            The disk took no more.
        """
        try:
            write_finding_file(self._staging, finding_id, content)
        except OSError as fault:
            raise self._bulk_write_error(fault) from fault

    def carry_attachment(self, source: Path) -> None:
        """Take over a file of the attachments of another recording, as it is there.

        Raises
        ------
        OutsideFault
            The disk took no more.
        """
        try:
            carry_attachment_file(source, self._staging / ATTACHMENTS_FOLDER)
        except OSError as fault:
            raise self._bulk_write_error(fault) from fault

    def tick(self, now_s: float = 0.0) -> None:
        """Make parts of the buffered rows, if there are enough.

        Raises
        ------
        OutsideFault
            The disk took no more.
        """
        if self._buffered_rows < self._part_rows:
            return
        try:
            self._wait_for_sealing()
            self._sealing = self._executor.submit(
                self._sealer.seal_rows, self._take_buffered(is_end=False)
            )
        except OSError as fault:
            raise self._bulk_write_error(fault) from fault

    def _wait_for_sealing(self) -> None:
        sealing, self._sealing = self._sealing, None
        if sealing is not None:
            sealing.result()

    def close(self, *, ended_ns: int, cause: str) -> None:
        """Write the buffered rows and the end, then rename the folder to its name.

        Raises
        ------
        OutsideFault
            The disk took no more; `abandon` removes what is there.
        InputError
            Another process made `path` meanwhile.
        """
        try:
            self._wait_for_sealing()
            self._sealer.seal_rows(self._take_buffered(is_end=True), until_ns=ended_ns)
            self.manifest = self.manifest.model_copy(
                update={"ended_ns": ended_ns, "end_cause": cause, "rows": dict(self._rows)}
            )
            write_manifest(self._staging, self.manifest)
            refuse_existing(self.path)
            self._staging.rename(self.path)
            sync_folder(self.path.parent)
        except OSError as fault:
            raise self._bulk_write_error(fault) from fault
        self._executor.shutdown(wait=True)
        self._lock.release()

    def abandon(self) -> None:
        """Remove everything that was written."""
        # Wait for a part that is being written: it would make the removed folder again.
        self._executor.shutdown(wait=True, cancel_futures=True)
        shutil.rmtree(self._staging, ignore_errors=True)
        with contextlib.suppress(OSError):
            self._lock.release()

    def _bulk_write_error(self, fault: OSError) -> OutsideFault:
        return OutsideFault(
            f"{self.path}: the recording cannot be written ({fault.strerror or fault}); nothing "
            "was left behind. Free some room, then try again."
        )


def refuse_existing(path: Path, *, option: str = "--out") -> None:
    """Raise InputError when there is something at `path`; `option` chooses another."""
    try:
        exists = path.exists() or path.is_symlink()
    except OSError as fault:
        raise InputError(
            f"{path}: cannot be looked at ({fault.strerror or fault}). Choose another with "
            f"{option}."
        ) from None
    if exists:
        raise InputError(
            f"{path}: this already exists, expected a new folder for the recording. Choose another "
            f"with {option}."
        )


def begin_staging(path: Path, *, option: str = "--out") -> WriteLock:
    """Make the staging folder of `path` and take its lock; those of killed runs are removed first.

    Those of the same place, whatever their names: nobody would come back for them.

    Raises
    ------
    InputError
        It cannot be made, or another process is making it.
    """
    staging = staging_path(path)
    for other in path.parent.glob(".*.aside"):
        if other != staging:
            _remove_if_dead(other)
    try:
        if staging.is_dir():
            # The process that made it holds its lock; after a kill or a power cut none does.
            WriteLock(staging).release()
            shutil.rmtree(staging)
        make_folder(staging)
    except OSError as fault:
        raise InputError(
            f"{path}: the recording folder cannot be made ({fault.strerror or fault}). Choose "
            f"another with {option}, or make its parent writable."
        ) from None
    try:
        return WriteLock(staging)
    except BaseException:
        shutil.rmtree(staging, ignore_errors=True)
        raise


def _remove_if_dead(staging: Path) -> None:
    """Remove a staging folder whose job was killed: its lock is old, and nobody holds it."""
    with contextlib.suppress(OSError, InputError, OutsideFault):
        age_s = time.time() - (staging / LOCK_FILE).stat().st_mtime
        if age_s < _DEAD_AFTER_S or not staging.is_dir() or staging.is_symlink():
            return
        with WriteLock(staging):
            shutil.rmtree(staging)


@contextmanager
def discard_on_failure(writer: BulkWriter) -> Iterator[None]:
    """Remove what was written when the body of the `with` fails or is interrupted."""
    try:
        yield
    except KeyboardInterrupt:
        writer.abandon()
        raise stopped_error(writer.path) from None
    except BaseException:
        writer.abandon()
        raise
