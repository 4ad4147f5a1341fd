"""The one door to the recordings folder.

Every page asks here for a recording by its name; a name never leads out of the folder. What was
opened is kept open (a few, the ones used last), and what a list shows of a finished recording is
worked out once. Reads disk; safe to call from several threads.
"""

import re
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar, cast

from logger.errors import InputError
from logger.settings_file import file_stamp
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.files import MANIFEST_FILE
from replay.recording import Recording, RecordingEntry, find_recordings
from replay.single_flight import SingleFlight

__all__ = ["RecordingCache", "RecordingNotFoundError"]

_FOLDER_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+=@,-]{0,199}")
MAX_OPEN: Final = 40
"""As many as the Limits page tries limits on; what is decoded of them is bounded by itself."""
MAX_LISTED: Final = 10_000
"""What lists show of a recording, a few kB each: more than a folder holds, or all are reopened."""
Derived = TypeVar("Derived")


class RecordingNotFoundError(InputError):
    """No recording of that name lies in the folder."""


class RecordingCache:
    """The recordings of one folder, and at most one from elsewhere."""

    def __init__(self, folder: Path, *, extra_path: Path | None = None) -> None:
        self.folder = folder
        self._extra_path = extra_path
        self._lock = threading.RLock()
        self._open: ByteLruCache[Recording] = ByteLruCache(max_bytes=MAX_OPEN)
        self._list_cache: SingleFlight[object] = SingleFlight(most=MAX_LISTED)
        self._newest_keys: dict[tuple[str, str], tuple[str, str, object]] = {}
        """(purpose, name) -> the key of what was derived last: a live recording has ever new ones,
        and a list that is looked at all night would keep them all."""

    def list_entries(self) -> list[RecordingEntry]:
        """Return what lies in the folder, newest first; empty if there is no folder yet."""
        entries = find_recordings(self.folder) if self.folder.is_dir() else []
        extra_path = self._extra_path
        if extra_path is not None and extra_path.resolve().parent != self.folder.resolve():
            entries = [
                f for f in find_recordings(extra_path.parent) if f.path.name == extra_path.name
            ] + [f for f in entries if f.path.name != extra_path.name]
        return entries

    def find_path(self, name: str) -> Path:
        """Return where a recording of that name lies.

        Raises
        ------
        InputError
            It is no name of a folder in here.
        """
        if self._extra_path is not None and name == self._extra_path.name:
            return self._extra_path
        path = self.folder / name
        if not _FOLDER_NAME.fullmatch(name) or not path.is_dir() or path.resolve().parent != (
            self.folder.resolve()
        ):  # fmt: skip
            raise RecordingNotFoundError(
                f"{self.folder}: there is no recording named {name[:80]!r}."
            )
        return path

    def open_recording(self, name: str) -> Recording:
        """Return a recording by its folder's name, up to date.

        Raises
        ------
        InputError
            No such name, or it is no recording.
        """
        with self._lock:
            path = self.find_path(name)
            recording = self._open.get(name)
            if recording is not None:
                bench = recording.manifest.bench
                # A finished one too: somebody may go on in it, or a sensor may join it.
                if recording.refresh() and recording.manifest.bench != bench:
                    recording = None
            if recording is None:
                recording = Recording.open(path)
            self._open.put(name, recording, size_bytes=1)
            return recording

    def newest_live(self) -> str | None:
        """Return the name of the newest recording that is being written, None if there is none."""
        return next((f.path.name for f in self.list_entries() if f.live and not f.fault), None)

    def newest_name(self) -> str:
        """Return the name of the newest readable recording, empty if there is none."""
        return next((f.path.name for f in self.list_entries() if not f.fault), "")

    def derive_once(
        self, purpose: str, recording: Recording, derive: Callable[[Recording], Derived]
    ) -> Derived:
        """Return `work(recording)`, worked out once for each state of the recording."""
        state = recording.end_ns
        return self._derive(purpose, recording.path.name, state, lambda: derive(recording))

    def _derive(
        self, purpose: str, name: str, state: object, make: Callable[[], Derived]
    ) -> Derived:
        """Return what `make` gives for a state of a recording; that of other states is let go."""
        key = (purpose, name, state)
        with self._lock:
            before = self._newest_keys.get((purpose, name), key)
            self._newest_keys[purpose, name] = key
        if before != key:
            self._list_cache.drop(before)
        return cast("Derived", self._list_cache.get(key, make))

    def derive_for_list(
        self, purpose: str, entry: RecordingEntry, derive: Callable[[Recording], Derived]
    ) -> Derived:
        """Return `work(recording)` for a list of recordings.

        Of one that nobody writes it is worked out once for each state of its recording.json, and
        the recording is not opened again for it: a folder may hold hundreds.

        Raises
        ------
        InputError
            It is no recording.
        """
        name = entry.path.name
        if entry.live:
            recording = self.open_recording(name)
            return self.derive_once(purpose, recording, derive)
        state = file_stamp(entry.path / MANIFEST_FILE)
        return self._derive(
            purpose, name, state, lambda: derive(Recording.open(self.find_path(name)))
        )
