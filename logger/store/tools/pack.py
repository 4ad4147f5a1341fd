"""A finished recording as one file to send: a plain tar, made from front to end.

Parts are compressed already, so nothing is compressed again; any tar opens it. It holds one folder
named as the recording, and last of all `SHA256SUMS` over its files, which makes a cut file tell
itself from a whole one. Its length is known before the first byte, so that it can be sent while it
is made; memory does not grow with it. The recording is only read. `unpack` is the way back.
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

from logger.errors import InputError, OutsideFault
from logger.store.layout.files import INBOX, LOCK, MANIFEST, put_or_say
from logger.store.layout.lock import refuse_written
from logger.store.reading.raw_frames import finished

__all__ = ["CHUNK", "ENDING", "SUMS", "Pack", "file_name", "is_plain_name", "pack", "pack_of"]

ENDING: Final = ".dutytrace.tar"
SUMS: Final = "SHA256SUMS"
CHUNK: Final = 1 << 20
_LEFT_OUT: Final = frozenset({LOCK, INBOX, SUMS})
_LONGEST: Final = 200
_DIGITS: Final = 64
_BLOCK: Final = 512
_END: Final = bytes(2 * _BLOCK)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Member:
    """One file of a recording as it stands in the tar."""

    path: Path
    place: str
    """Within the recording, parts divided by `/`."""
    size: int
    head: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """What a packed recording will be: its length is known, its bytes are still to be read."""

    recording: Path
    folder: str
    size: int
    """Bytes of the whole file."""
    members: tuple[_Member, ...]

    def chunks(self) -> Iterator[bytes]:
        """Yield the file's bytes in order, about a megabyte at a time.

        Raises
        ------
        OutsideFault
            A file cannot be read, or the recording was changed meanwhile.
        """
        sums = []
        for member in self.members:
            yield member.head
            digest = hashlib.sha256()
            for chunk in self._read(member):
                digest.update(chunk)
                yield chunk
            yield _padding(member.size)
            sums.append(_sum_line(digest.hexdigest(), member.place))
        try:
            refuse_written(self.recording)
        except InputError as fault:
            raise self._changed(str(fault)) from fault
        text = "".join(sums).encode()
        yield _head(self.folder, SUMS, len(text), 0) + text + _padding(len(text)) + _END

    def _read(self, member: _Member) -> Iterator[bytes]:
        left = member.size
        try:
            with member.path.open("rb") as file:
                while left and (chunk := file.read(min(left, CHUNK))):
                    left -= len(chunk)
                    yield chunk
                if left or file.read(1):
                    raise self._changed(f"{member.place} has another length than before.")
        except OutsideFault:
            raise
        except OSError as fault:
            raise OutsideFault(
                f"{member.path}: cannot be read ({fault.strerror or fault}); the recording was not "
                "packed."
            ) from fault

    def _changed(self, how: str) -> OutsideFault:
        return OutsideFault(
            f"{self.recording}: the recording was changed while it was packed: {how} Pack it again."
        )


def pack_of(recording: Path) -> Pack:
    """Look what a recording holds and return what its packed file will be.

    Raises
    ------
    InputError
        It is no recording, is being written, was not closed, or holds what is no plain file.
    OutsideFault
        A folder of it cannot be listed.
    """
    _refuse_live(recording)
    finished(recording)
    folder = recording.resolve().name
    if not is_plain_name(folder):
        raise InputError(
            f"{recording}: found the folder's name {folder!r}, expected one that can be written "
            "everywhere: visible, printable, at most 200 bytes. Rename it, then pack again."
        )
    try:
        # recording.json first: whoever lists the file sees at once what it is.
        places = sorted(_places(recording), key=lambda place: (place != MANIFEST, place))
        members = tuple(_member(recording, folder, place) for place in places)
    except OSError as fault:
        if isinstance(fault, OutsideFault):
            raise
        raise OutsideFault(
            f"{recording}: the recording cannot be read ({fault.strerror or fault})."
        ) from fault
    length = sum(len(_sum_line("0" * _DIGITS, member.place)) for member in members)
    sums = len(_head(folder, SUMS, length, 0)) + _padded(length)
    size = sum(len(member.head) + _padded(member.size) for member in members) + sums + len(_END)
    return Pack(recording=recording, folder=folder, size=size, members=members)


def is_plain_name(name: str) -> bool:
    """Return whether a text is the name of one file or folder, and a visible one, on any system."""
    return bool(
        name
        and name.isprintable()
        and not name.startswith(".")
        and not set(name) & set("/\\")
        and len(name.encode()) <= _LONGEST
    )


def file_name(recording: Path) -> str:
    """Return what the packed file of a recording is called."""
    return f"{recording.resolve().name}{ENDING}"


def pack(
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
        As for `pack_of`, or `out` exists or lies nowhere; nothing was made.
    OutsideFault
        The disk took no more, the recording changed, or it was stopped; nothing was left behind.
    """
    planned = pack_of(recording)
    if out.exists() or out.is_symlink():
        raise InputError(f"{out}: this already exists. Choose another name with --out.")
    if not out.parent.is_dir():
        raise InputError(f"{out.parent}: there is no such folder.")
    if out.resolve().is_relative_to(recording.resolve()):
        raise InputError(f"{out}: this lies within the recording, expected a file beside it.")

    def written(file: IO[bytes]) -> None:
        done = 0
        for chunk in planned.chunks():
            if stop is not None and stop.is_set():
                raise OutsideFault(f"{out}: stopped before its end; nothing was left behind.")
            file.write(chunk)
            done += len(chunk)
            progress(done / planned.size)

    put_or_say(out, written, what="the file")
    return planned.size


def _refuse_live(recording: Path) -> None:
    try:
        refuse_written(recording)
    except InputError as fault:
        raise InputError(
            f"{fault} Or cut out what there is until now with `dutytrace cut {recording}` and pack "
            "that."
        ) from None


def _places(recording: Path) -> Iterator[str]:
    """Yield the files of a recording; what a crash left half-written is passed over."""

    def refuse(fault: OSError) -> None:
        raise fault

    for above, folders, files in os.walk(recording, onerror=refuse):
        here = Path(above)
        top = here == recording
        for names in (folders, files):
            names[:] = [
                name for name in names if not (name.startswith(".") or (top and name in _LEFT_OUT))
            ]
        for name in (*folders, *files):
            if (here / name).is_symlink():
                raise InputError(
                    f"{here / name}: found a link, expected the files of a recording. Put in its "
                    "place what it leads to, then pack again."
                )
        yield from ((here / name).relative_to(recording).as_posix() for name in files)


def _member(recording: Path, folder: str, place: str) -> _Member:
    path = recording / place
    if not all(map(is_plain_name, place.split("/"))):
        raise InputError(
            f"{path}: found another name than a file of a recording has; take it out, then pack "
            "again."
        )
    found = path.stat()
    if not stat.S_ISREG(found.st_mode):
        raise InputError(f"{path}: found something else than a file; take it out, then pack again.")
    head = _head(folder, place, found.st_size, int(found.st_mtime))
    return _Member(path=path, place=place, size=found.st_size, head=head)


def _head(folder: str, place: str, size: int, time_s: int) -> bytes:
    # Whose it was is nobody's business: neither user nor group is told.
    info = tarfile.TarInfo(f"{folder}/{place}")
    info.size, info.mtime, info.mode = size, time_s, 0o644
    return info.tobuf(tarfile.PAX_FORMAT)


def _sum_line(digits: str, place: str) -> str:
    return f"{digits}  {place}\n"


def _padding(size: int) -> bytes:
    return bytes(-size % _BLOCK)


def _padded(size: int) -> int:
    return size + -size % _BLOCK
