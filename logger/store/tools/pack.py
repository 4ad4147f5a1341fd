"""Packs a finished recording into one file to send: a plain tar, written from front to end.

Parts are compressed already, so nothing is compressed again; any tar program opens it. It holds one
folder named as the recording and, last of all, `SHA256SUMS` over its files, by which a truncated
file is recognised. Its length is known before the first byte, so that it can be sent while it is
made; memory does not grow with it. The recording is only read. `unpack` is the reverse.
"""

import hashlib
import os
import stat
import tarfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from logger.cancellation import raise_if_stopped
from logger.errors import InputError, OutsideFault
from logger.store.layout.files import (
    INBOX_FOLDER,
    LOCK_FILE,
    MANIFEST_FILE,
    real_path,
    write_or_raise,
)
from logger.store.layout.lock import check_not_written
from logger.store.reading.raw_frames import open_finished

__all__ = [
    "CHECKSUM_FILE",
    "PACKED_SUFFIX",
    "PACK_CHUNK_BYTES",
    "TarStream",
    "is_plain_name",
    "packed_file_name",
    "plan_tar",
    "write_tar",
]

PACKED_SUFFIX: Final = ".dutytrace.tar"
CHECKSUM_FILE: Final = "SHA256SUMS"
PACK_CHUNK_BYTES: Final = 1 << 20
_NOT_PACKED: Final = frozenset({LOCK_FILE, INBOX_FOLDER, CHECKSUM_FILE})
_MAX_MEMBER_NAME: Final = 200
_SHA256_DIGITS: Final = 64
_TAR_BLOCK_BYTES: Final = 512
_TAR_END: Final = bytes(2 * _TAR_BLOCK_BYTES)


@dataclass(frozen=True, slots=True, kw_only=True)
class _TarMember:
    """One file of a recording, as it will be in the tar."""

    path: Path
    tar_name: str
    """Its path within the recording, with `/` between the parts."""
    size: int
    tar_header: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class TarStream:
    """A packed recording that is yet to be read: members and length are known, not the bytes."""

    recording: Path
    folder: str
    size: int
    """Bytes of the whole file."""
    members: tuple[_TarMember, ...]

    def read_chunks(self) -> Iterator[bytes]:
        """Yield the file's bytes in order, about a megabyte at a time.

        Raises
        ------
        OutsideFault
            A file cannot be read, or the recording was changed meanwhile.
        """
        sums = []
        for member in self.members:
            yield member.tar_header
            digest = hashlib.sha256()
            for chunk in self._read_member(member):
                digest.update(chunk)
                yield chunk
            yield _padding_bytes(member.size)
            sums.append(_sum_line(digest.hexdigest(), member.tar_name))
        try:
            check_not_written(self.recording)
        except InputError as fault:
            raise self._changed_error(str(fault)) from fault
        text = "".join(sums).encode()
        yield (
            _tar_header(self.folder, CHECKSUM_FILE, len(text), 0)
            + text
            + _padding_bytes(len(text))
            + _TAR_END
        )

    def _read_member(self, member: _TarMember) -> Iterator[bytes]:
        remaining = member.size
        try:
            with member.path.open("rb") as file:
                while remaining and (chunk := file.read(min(remaining, PACK_CHUNK_BYTES))):
                    remaining -= len(chunk)
                    yield chunk
                if remaining or file.read(1):
                    raise self._changed_error(f"the length of {member.tar_name} has changed.")
        except OutsideFault:
            raise
        except OSError as fault:
            raise OutsideFault(
                f"{member.path}: cannot be read ({fault.strerror or fault}); the recording was not "
                "packed."
            ) from fault

    def _changed_error(self, change: str) -> OutsideFault:
        return OutsideFault(
            f"{self.recording}: the recording was changed while it was packed: {change} Pack it "
            "again."
        )


def plan_tar(recording: Path) -> TarStream:
    """List the files of a recording and return the tar that they will make.

    Raises
    ------
    InputError
        It is no recording, is being written, was not closed, or holds something that is no plain
        file.
    OutsideFault
        A folder of it cannot be listed.
    """
    _refuse_live(recording)
    open_finished(recording)
    folder = real_path(recording).name
    if not is_plain_name(folder):
        raise InputError(
            f"{recording}: found the folder's name {folder!r}, expected one that can be written "
            "everywhere: visible, printable, at most 200 bytes. Rename it, then pack again."
        )
    try:
        # recording.json first: a listing of the tar shows at once what it is.
        tar_names = sorted(
            _member_names(recording), key=lambda tar_name: (tar_name != MANIFEST_FILE, tar_name)
        )
        members = tuple(_plan_member(recording, folder, tar_name) for tar_name in tar_names)
    except OSError as fault:
        if isinstance(fault, OutsideFault):
            raise
        raise OutsideFault(
            f"{recording}: the recording cannot be read ({fault.strerror or fault})."
        ) from fault
    length = sum(len(_sum_line("0" * _SHA256_DIGITS, member.tar_name)) for member in members)
    sums = len(_tar_header(folder, CHECKSUM_FILE, length, 0)) + _padded_size(length)
    size = (
        sum(len(member.tar_header) + _padded_size(member.size) for member in members)
        + sums
        + len(_TAR_END)
    )
    return TarStream(recording=recording, folder=folder, size=size, members=members)


def is_plain_name(name: str) -> bool:
    """Return whether a text is the name of one file or folder, and a visible one, on any system."""
    return bool(
        name
        and name.isprintable()
        and not name.startswith(".")
        and not set(name) & set("/\\")
        and len(name.encode()) <= _MAX_MEMBER_NAME
    )


def packed_file_name(recording: Path) -> str:
    """Return the file name of a packed recording."""
    return f"{real_path(recording).name}{PACKED_SUFFIX}"


def write_tar(
    recording: Path,
    out: Path,
    *,
    progress: Callable[[float], None] = lambda _share: None,
    stop: threading.Event | None = None,
) -> int:
    """Pack a finished recording into a file and return its length.

    Parameters
    ----------
    progress
        Called with the share that is done, 0 to 1.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        As for `plan_tar`, or `out` exists or lies nowhere; nothing was made.
    OutsideFault
        The disk took no more, the recording changed, or it was stopped; nothing was left behind.
    """
    tar_stream = plan_tar(recording)
    if out.exists() or out.is_symlink():
        raise InputError(f"{out}: this already exists. Choose another name with --out.")
    if not out.parent.is_dir():
        raise InputError(f"{out.parent}: there is no such folder.")
    if real_path(out).is_relative_to(real_path(recording)):
        raise InputError(f"{out}: this lies within the recording, expected a file outside of it.")

    def written(file: IO[bytes]) -> None:
        packed_bytes = 0
        for chunk in tar_stream.read_chunks():
            raise_if_stopped(stop, out)
            file.write(chunk)
            packed_bytes += len(chunk)
            progress(packed_bytes / tar_stream.size)

    write_or_raise(out, written, description="the file")
    return tar_stream.size


def _refuse_live(recording: Path) -> None:
    try:
        check_not_written(recording)
    except InputError as fault:
        raise InputError(
            f"{fault} Or cut out what there is until now with `dutytrace cut {recording}` and pack "
            "that."
        ) from None


def _member_names(recording: Path) -> Iterator[str]:
    """Yield the files of a recording; files that a crash left half-written are ignored."""

    def refuse(fault: OSError) -> None:
        raise fault

    for above, folders, files in os.walk(recording, onerror=refuse):
        folder_here = Path(above)
        top_name = folder_here == recording
        for names in (folders, files):
            names[:] = [
                name
                for name in names
                if not (name.startswith(".") or (top_name and name in _NOT_PACKED))
            ]
        for name in (*folders, *files):
            if (folder_here / name).is_symlink():
                raise InputError(
                    f"{folder_here / name}: found a link, expected the files of a recording. "
                    "Replace it by what it leads to, then pack again."
                )
        yield from ((folder_here / name).relative_to(recording).as_posix() for name in files)


def _plan_member(recording: Path, folder: str, tar_name: str) -> _TarMember:
    path = recording / tar_name
    if not all(map(is_plain_name, tar_name.split("/"))):
        raise InputError(
            f"{path}: found a name that no file of a recording has; take it out, then pack again."
        )
    stat_result = path.stat()
    if not stat.S_ISREG(stat_result.st_mode):
        raise InputError(f"{path}: found something that is no file; take it out, then pack again.")
    head = _tar_header(folder, tar_name, stat_result.st_size, int(stat_result.st_mtime))
    return _TarMember(path=path, tar_name=tar_name, size=stat_result.st_size, tar_header=head)


def _tar_header(folder: str, tar_name: str, size: int, time_s: int) -> bytes:
    # Without user and group: they are private to the machine that packs.
    info = tarfile.TarInfo(f"{folder}/{tar_name}")
    info.size, info.mtime, info.mode = size, time_s, 0o644
    return info.tobuf(tarfile.PAX_FORMAT)


def _sum_line(digits: str, tar_name: str) -> str:
    return f"{digits}  {tar_name}\n"


def _padding_bytes(size: int) -> bytes:
    return bytes(-size % _TAR_BLOCK_BYTES)


def _padded_size(size: int) -> int:
    return size + -size % _TAR_BLOCK_BYTES
