"""A packed recording made a folder again: whole, checked byte by byte, or not at all.

What a file from elsewhere says is not trusted: it may only name plain files below one folder, and
is written below the recordings folder under names that were looked at, aside first. Every file has
to be what its sum says, and the sums stand last: a file that was cut on its way is refused.
"""

import contextlib
import hashlib
import os
import re
import shutil
import tarfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO, Final

from logger.errors import DutytraceError, InputError, OutsideFault
from logger.store.layout.files import INBOX, LOCK, sync_folder
from logger.store.layout.manifest import read_manifest
from logger.store.tools.pack import CHUNK, SUMS, is_plain_name
from logger.store.writing.bulk_writer import aside_of, begin_aside, refuse_existing

__all__ = ["unpack"]

_LONGEST_SUMS: Final = 64 << 20
_LINE: Final = re.compile(r"([0-9a-f]{64})  (.+)")
_PLAIN: Final = (tarfile.REGTYPE, tarfile.AREGTYPE)
# What tarfile raises of bytes that are no tar: it was not made for files from anywhere.
_NO_TAR: Final = (tarfile.TarError, ValueError, EOFError, OverflowError, RecursionError)


def unpack(
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
        source = file.open("rb")
    except OSError as fault:
        raise InputError(f"{file}: cannot be read ({fault.strerror or fault}).") from None
    with source:
        size = os.fstat(source.fileno()).st_size
        try:
            with tarfile.open(fileobj=source, mode="r:") as tar:
                first = tar.next()
                if first is None:
                    raise tarfile.ReadError("it is empty")
                folder = _names_of(first, file)[0]
                packed = _Unpacking(file, tar, recordings / folder, stop=stop)
                return packed.made(first, lambda at: progress(at / max(size, 1)))
        except DutytraceError:
            raise
        except _NO_TAR as fault:
            raise InputError(
                f"{file}: this is no packed recording, or it is damaged ({fault}). Expected a file "
                "that `dutytrace pack` made. Have it sent again."
            ) from None


class _Unpacking:
    """One file on its way into one folder."""

    def __init__(
        self, file: Path, tar: tarfile.TarFile, path: Path, *, stop: threading.Event | None
    ) -> None:
        self._file, self._tar, self._path, self._stop = file, tar, path, stop
        self._aside = aside_of(path)
        self._found: dict[str, str] = {}
        self._told: dict[str, str] | None = None

    def made(self, first: tarfile.TarInfo, progress: Callable[[int], None]) -> Path:
        """Write everything aside, compare, and give it its name."""
        refuse_existing(self._path, option="--recordings")
        lock = begin_aside(self._path, option="--recordings")
        try:
            member: tarfile.TarInfo | None = first
            while member is not None:
                self._take(member)
                progress(self._tar.offset)
                member = self._tar.next()
            self._compare()
            self._name()
        except DutytraceError:
            self._leave_nothing()
            raise
        except KeyboardInterrupt:
            self._leave_nothing()
            raise self._stopped() from None
        except OSError as fault:
            self._leave_nothing()
            raise OutsideFault(
                f"{self._path}: the recording cannot be unpacked ({fault.strerror or fault}); "
                "nothing was left behind."
            ) from fault
        except BaseException:
            self._leave_nothing()
            raise
        finally:
            with contextlib.suppress(OSError):
                lock.release()
        return self._path

    def _leave_nothing(self) -> None:
        shutil.rmtree(self._aside, ignore_errors=True)

    def _stopped(self) -> OutsideFault:
        return OutsideFault(f"{self._path}: stopped before its end; nothing was left behind.")

    def _take(self, member: tarfile.TarInfo) -> None:
        if self._stop is not None and self._stop.is_set():
            raise self._stopped()
        folder, *names = _names_of(member, self._file)
        if folder != self._path.name:
            raise self._refused(f"found the folders {self._path.name!r} and {folder!r}")
        if member.isdir():
            # Made by another tar; whatever lies in it makes it.
            return
        if member.type not in _PLAIN or member.sparse is not None or not names:
            raise self._refused(f"found {member.name!r}, which is no plain file")
        place = "/".join(names)
        if place in self._found or self._told is not None:
            raise self._refused(f"found {member.name!r} a second time or behind its end")
        source = self._tar.extractfile(member)
        assert source is not None, "a plain file has content"
        if place == SUMS:
            if member.size > _LONGEST_SUMS:
                raise self._refused(f"found {SUMS} of {member.size} bytes")
            self._told = self._sums(source.read())
            return
        if names[0] in {LOCK, INBOX}:
            raise self._refused(f"found {member.name!r}, which is never packed")
        path = self._aside.joinpath(*names)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except (FileExistsError, NotADirectoryError):
            raise self._refused(f"found {member.name!r} within a file") from None
        if path.exists():
            raise self._refused(f"found {member.name!r}, which is a folder too")
        self._found[place] = self._written(source, path)

    def _written(self, source: IO[bytes], path: Path) -> str:
        digest = hashlib.sha256()
        # "x": never through a link, never over another.
        with path.open("xb") as target:
            while chunk := source.read(CHUNK):
                if self._stop is not None and self._stop.is_set():
                    raise self._stopped()
                digest.update(chunk)
                target.write(chunk)
            target.flush()
            os.fsync(target.fileno())
        return digest.hexdigest()

    def _sums(self, text: bytes) -> dict[str, str]:
        told = {}
        for line in text.decode(errors="replace").splitlines():
            match = _LINE.fullmatch(line)
            if match is None:
                raise self._refused(f"found the line {line[:80]!r} in {SUMS}")
            told[match[2]] = match[1]
        return told

    def _compare(self) -> None:
        if self._told is None:
            raise InputError(
                f"{self._file}: this packed recording ends before its end: it was cut on its way, "
                "or is damaged. Have it sent again; nothing was unpacked."
            )
        for place in sorted(self._told.keys() | self._found.keys()):
            told, found = self._told.get(place), self._found.get(place)
            if told != found:
                how = (
                    "is missing"
                    if found is None
                    else "was never packed"
                    if told is None
                    else "is not what was packed"
                )
                raise self._refused(f"{place} {how}")
        try:
            read_manifest(self._aside)
        except InputError as fault:
            raise InputError(f"{self._file}: what it holds cannot be read: {fault}") from None

    def _name(self) -> None:
        (self._aside / INBOX).mkdir()
        for above, _, _ in os.walk(self._aside):
            sync_folder(Path(above))
        refuse_existing(self._path, option="--recordings")
        self._aside.rename(self._path)
        sync_folder(self._path.parent)

    def _refused(self, why: str) -> InputError:
        return InputError(
            f"{self._file}: this packed recording is damaged or was not made by `dutytrace pack`: "
            f"{why}. Have it sent again; nothing was unpacked."
        )


def _names_of(member: tarfile.TarInfo, file: Path) -> list[str]:
    """Return the parts of a member's name, each of which may be a file's name and nothing else."""
    names = member.name.split("/")
    for name in names:
        if not is_plain_name(name):
            raise InputError(
                f"{file}: found the name {member.name[:200]!r}, expected names within one folder, "
                "none of them hidden; nothing was unpacked. It was not made by `dutytrace pack`, "
                "or is damaged."
            )
    return names
