"""Unpacks a packed recording into a folder: whole and verified byte by byte, or not at all.

The file is not trusted: it may only name plain files below one folder, each name is checked, and
everything is written into a staging folder first. Every file has to match its checksum, and the
checksums come last: a file that was truncated on its way is refused.
"""

import contextlib
import hashlib
import io
import os
import re
import shutil
import tarfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO, Final

from logger.cancellation import raise_if_stopped, stopped_error
from logger.errors import DutytraceError, InputError, OutsideFault
from logger.outside_text import open_regular
from logger.store.layout.files import INBOX_FOLDER, LOCK_FILE, sync_folder
from logger.store.layout.manifest import read_manifest
from logger.store.tools.pack import CHECKSUM_FILE, PACK_CHUNK_BYTES, is_plain_name
from logger.store.writing.bulk_writer import begin_staging, refuse_existing, staging_path

__all__ = ["extract_recording"]

_MAX_CHECKSUM_FILE: Final = 64 << 20
_CHECKSUM_LINE: Final = re.compile(r"([0-9a-f]{64})  (.+)")
_FILE_TYPES: Final = (tarfile.REGTYPE, tarfile.AREGTYPE)
_MAX_MEMBER_PATH_BYTES: Final = 1000
"""Of a path within the tar; a recording's own have less than 200, a file system allows 4096."""
# What tarfile raises for bytes that are no tar: it was not made for untrusted files.
_TAR_ERRORS: Final = (tarfile.TarError, ValueError, EOFError, OverflowError, RecursionError)


class _BoundedReads(io.BufferedReader):
    """A file that refuses to read more at once than any head or file of sums has.

    A head says how long it is, and tarfile asks for as much, whatever the length of the file.
    """

    def read(self, size: int | None = -1) -> bytes:
        if size is not None and size > _MAX_CHECKSUM_FILE + PACK_CHUNK_BYTES:
            raise tarfile.ReadError(f"a head claims {size} bytes")
        return super().read(size)


def extract_recording(
    file: Path,
    recordings: Path,
    *,
    progress: Callable[[float], None] = lambda _share: None,
    stop: threading.Event | None = None,
) -> Path:
    """Unpack a recording into a folder of its own below `recordings`; returns that folder.

    Parameters
    ----------
    progress
        Called with the share that is done, 0 to 1.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        It is no packed recording, is cut or damaged, or its folder is there already; nothing was
        made.
    OutsideFault
        The disk took no more, or it was stopped; nothing was left behind.
    """
    try:
        source = _BoundedReads(open_regular(file).detach())
    except OSError as fault:
        raise InputError(f"{file}: cannot be read ({fault.strerror or fault}).") from None
    with source:
        size = os.fstat(source.fileno()).st_size
        try:
            with tarfile.open(fileobj=source, mode="r:") as tar:
                first = tar.next()
                if first is None:
                    raise tarfile.ReadError("it is empty")
                folder = _member_path_parts(first, file)[0]
                packed = _Unpacker(file, tar, recordings / folder, stop=stop)
                return packed.unpack_all(
                    first, lambda done_bytes: progress(done_bytes / max(size, 1))
                )
        except DutytraceError:
            raise
        except _TAR_ERRORS as fault:
            raise InputError(
                f"{file}: this is no packed recording, or it is damaged ({fault}). Expected a file "
                "that `dutytrace pack` made. Have it sent again."
            ) from None


class _Unpacker:
    """Unpacks one file into one folder."""

    def __init__(
        self, file: Path, tar: tarfile.TarFile, path: Path, *, stop: threading.Event | None
    ) -> None:
        self._file, self._tar, self._path, self._stop = file, tar, path, stop
        self._staging = staging_path(path)
        self._actual: dict[str, str] = {}
        self._stated: dict[str, str] | None = None

    def unpack_all(self, first: tarfile.TarInfo, progress: Callable[[int], None]) -> Path:
        """Write all members into the staging folder, verify them, and rename it."""
        refuse_existing(self._path, option="--recordings")
        lock = begin_staging(self._path, option="--recordings")
        try:
            member: tarfile.TarInfo | None = first
            while member is not None:
                self._extract_member(member)
                progress(self._tar.offset)
                member = self._tar.next()
            self._compare_checksums()
            self._move_into_place()
        except DutytraceError:
            self._remove_staging()
            raise
        except KeyboardInterrupt:
            self._remove_staging()
            raise stopped_error(self._path) from None
        except OSError as fault:
            self._remove_staging()
            raise OutsideFault(
                f"{self._path}: the recording cannot be unpacked ({fault.strerror or fault}); "
                "nothing was left behind."
            ) from fault
        except BaseException:
            self._remove_staging()
            raise
        finally:
            with contextlib.suppress(OSError):
                lock.release()
        return self._path

    def _remove_staging(self) -> None:
        shutil.rmtree(self._staging, ignore_errors=True)

    def _extract_member(self, member: tarfile.TarInfo) -> None:
        raise_if_stopped(self._stop, self._path)
        folder, *names = _member_path_parts(member, self._file)
        if folder != self._path.name:
            raise self._refused_error(f"found the folders {self._path.name!r} and {folder!r}")
        if member.isdir():
            # From another tar program; the files in it make the folder.
            return
        if member.type not in _FILE_TYPES or member.sparse is not None or not names:
            raise self._refused_error(f"found {member.name!r}, which is no plain file")
        target_name = "/".join(names)
        if target_name in self._actual or self._stated is not None:
            raise self._refused_error(f"found {member.name!r} a second time or after its end")
        source = self._tar.extractfile(member)
        assert source is not None, "a plain file has content"
        if target_name == CHECKSUM_FILE:
            if member.size > _MAX_CHECKSUM_FILE:
                raise self._refused_error(f"found {CHECKSUM_FILE} of {member.size} bytes")
            self._stated = self._read_checksums(source.read())
            return
        if names[0] in {LOCK_FILE, INBOX_FOLDER}:
            raise self._refused_error(f"found {member.name!r}, which is never packed")
        path = self._staging.joinpath(*names)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except (FileExistsError, NotADirectoryError):
            raise self._refused_error(f"found {member.name!r} within a file") from None
        if path.exists():
            raise self._refused_error(f"found {member.name!r}, which is a folder too")
        self._actual[target_name] = self._write_member(source, path)

    def _write_member(self, source: IO[bytes], path: Path) -> str:
        digest = hashlib.sha256()
        # "x": never through a link, never over another.
        with path.open("xb") as target:
            while chunk := source.read(PACK_CHUNK_BYTES):
                raise_if_stopped(self._stop, self._path)
                digest.update(chunk)
                target.write(chunk)
            target.flush()
            os.fsync(target.fileno())
        return digest.hexdigest()

    def _read_checksums(self, text: bytes) -> dict[str, str]:
        stated_checksums = {}
        for line in text.decode(errors="replace").splitlines():
            match = _CHECKSUM_LINE.fullmatch(line)
            if match is None:
                raise self._refused_error(f"found the line {line[:80]!r} in {CHECKSUM_FILE}")
            stated_checksums[match[2]] = match[1]
        return stated_checksums

    def _compare_checksums(self) -> None:
        if self._stated is None:
            raise InputError(
                f"{self._file}: this packed recording is incomplete: it was cut on its way, or is "
                "damaged. Have it sent again; nothing was unpacked."
            )
        for member_name in sorted(self._stated.keys() | self._actual.keys()):
            stated_digits, actual_digits = (
                self._stated.get(member_name),
                self._actual.get(member_name),
            )
            if stated_digits != actual_digits:
                mismatch = (
                    "is missing"
                    if actual_digits is None
                    else "was never packed"
                    if stated_digits is None
                    else "is not what was packed"
                )
                raise self._refused_error(f"{member_name} {mismatch}")
        try:
            read_manifest(self._staging)
        except InputError as fault:
            raise InputError(f"{self._file}: what it holds cannot be read: {fault}") from None

    def _move_into_place(self) -> None:
        (self._staging / INBOX_FOLDER).mkdir()
        for above, _, _ in os.walk(self._staging):
            sync_folder(Path(above))
        refuse_existing(self._path, option="--recordings")
        self._staging.rename(self._path)
        sync_folder(self._path.parent)

    def _refused_error(self, why: str) -> InputError:
        return InputError(
            f"{self._file}: this packed recording is damaged or was not made by `dutytrace pack`: "
            f"{why}. Have it sent again; nothing was unpacked."
        )


def _member_path_parts(member: tarfile.TarInfo, file: Path) -> list[str]:
    """Return the parts of a member's path, each checked to be a plain, visible file name."""
    names = member.name.split("/")
    if len(os.fsencode(member.name)) > _MAX_MEMBER_PATH_BYTES:
        raise InputError(
            f"{file}: found the name {member.name[:200]!r}... of {len(member.name)} characters, "
            f"expected at most {_MAX_MEMBER_PATH_BYTES} bytes; nothing was unpacked. It was not "
            "made by `dutytrace pack`, or is damaged."
        )
    for name in names:
        if not is_plain_name(name):
            raise InputError(
                f"{file}: found the name {member.name[:200]!r}, expected names within one folder, "
                "none of them hidden; nothing was unpacked. It was not made by `dutytrace pack`, "
                "or is damaged."
            )
    return names
