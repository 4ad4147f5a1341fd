"""The one door to the recordings folder.

Every page asks here for a recording by its name; a name never leads out of the folder. What was
opened is kept open (a few, the ones used last), and what a list shows of a finished recording is
worked out once. Reads disk; safe to call from several threads.
"""

import re
import threading
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar, cast

from logger.errors import InputError
from logger.settings_file import stamp_of
from logger.store.layout.files import MANIFEST
from replay.recording import Found, Recording, find_recordings

__all__ = ["Shelf"]

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+=@,-]{0,199}")
KEPT: Final = 40
"""As many as the Limits page tries limits on; what is decoded of them is bounded by itself."""
T = TypeVar("T")


class Shelf:
    """The recordings of one folder, and at most one from elsewhere."""

    def __init__(self, folder: Path, *, beside: Path | None = None) -> None:
        self.folder = folder
        self._beside = beside
        self._lock = threading.RLock()
        self._open: OrderedDict[str, Recording] = OrderedDict()
        self._kept: dict[tuple[str, str, int], object] = {}
        self._listed: dict[tuple[str, str], tuple[object, object]] = {}

    def found(self) -> list[Found]:
        """Return what lies in the folder, newest first; empty if there is no folder yet."""
        listed = find_recordings(self.folder) if self.folder.is_dir() else []
        beside = self._beside
        if beside is not None and beside.resolve().parent != self.folder.resolve():
            listed = [f for f in find_recordings(beside.parent) if f.path.name == beside.name] + [
                f for f in listed if f.path.name != beside.name
            ]
        return listed

    def path(self, name: str) -> Path:
        """Return where a recording of that name lies.

        Raises
        ------
        InputError
            It is no name of a folder in here.
        """
        if self._beside is not None and name == self._beside.name:
            return self._beside
        at = self.folder / name
        if not _NAME.fullmatch(name) or not at.is_dir() or at.resolve().parent != (
            self.folder.resolve()
        ):  # fmt: skip
            raise InputError(f"{self.folder}: there is no recording named {name[:80]!r}.")
        return at

    def open(self, name: str) -> Recording:
        """Return a recording by its folder's name, up to date.

        Raises
        ------
        InputError
            No such name, or it is no recording.
        """
        with self._lock:
            at = self.path(name)
            recording = self._open.pop(name, None)
            if recording is not None:
                bench = recording.manifest.bench
                # A finished one too: somebody may go on in it, or a sensor may join it.
                if recording.refresh() and recording.manifest.bench != bench:
                    recording = None
            if recording is None:
                recording = Recording.open(at)
            self._open[name] = recording
            while len(self._open) > KEPT:
                self._open.popitem(last=False)
            return recording

    def newest_live(self) -> str | None:
        """Return the name of the newest recording that is being written, None if there is none."""
        return next((f.path.name for f in self.found() if f.live and not f.fault), None)

    def last_ended(self) -> str:
        """Return the name of the newest readable recording, empty if there is none."""
        return next((f.path.name for f in self.found() if not f.fault), "")

    def remembered(self, what: str, recording: Recording, work: Callable[[Recording], T]) -> T:
        """Return `work(recording)`, worked out once for each state of the recording."""
        key = (what, recording.path.name, recording.end_ns)
        with self._lock:
            if key not in self._kept:
                for old in [k for k in self._kept if k[:2] == key[:2]]:
                    del self._kept[old]
                self._kept[key] = work(recording)
            return cast("T", self._kept[key])

    def listed(self, what: str, found: Found, work: Callable[[Recording], T]) -> T:
        """Return `work(recording)` for a list of recordings.

        Of one that nobody writes it is worked out once for each state of its recording.json, and
        the recording is not opened again for it: a folder may hold hundreds.

        Raises
        ------
        InputError
            It is no recording.
        """
        name = found.path.name
        if found.live:
            recording = self.open(name)
            return self.remembered(what, recording, work)
        stamp = stamp_of(found.path / MANIFEST)
        with self._lock:
            known = self._listed.get((what, name))
            if known is not None and known[0] == stamp:
                return cast("T", known[1])
        told = work(Recording.open(self.path(name)))
        with self._lock:
            self._listed[what, name] = (stamp, told)
        return told
