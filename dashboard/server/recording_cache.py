"""The recordings of the folder that is served, opened by name.

A name never leads out of the folder. The recordings that were used last are kept open, and what a
list shows of a finished recording is computed once. Reads disk; safe to call from several threads.
"""

import re
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar, cast

from logger.errors import InputError
from logger.settings_file import file_stamp
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.files import MANIFEST_FILE, real_path
from replay.recording import Recording
from replay.recordings_folder import RecordingEntry, find_recordings
from replay.single_flight import SingleFlight

__all__ = ["RecordingCache", "RecordingNotFoundError"]

_FOLDER_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+=@,-]{0,199}")
MAX_OPEN: Final = 40
"""As many as the Limits page evaluates at once; the memory of their decoded parts is bounded."""
MAX_LISTED: Final = 10_000
"""Entries of lists, a few kB each. More than a folder holds: else a list would open all again."""
Derived = TypeVar("Derived")


class RecordingNotFoundError(InputError):
    """No recording of that name lies in the folder."""


class RecordingCache:
    """The recordings of one folder, and at most one from another folder."""

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
        """Return the recordings of the folder, newest first; empty if it does not exist yet.

        Raises
        ------
        InputError
            The folder may not be read.
        """
        entries = find_recordings(self.folder)
        extra_path = self._extra_path
        if extra_path is not None and real_path(extra_path).parent != real_path(self.folder):
            entries = [
                f for f in find_recordings(extra_path.parent) if f.path.name == extra_path.name
            ] + [f for f in entries if f.path.name != extra_path.name]
        return entries

    def contains(self, path: Path) -> bool:
        """Return whether a path is the folder, one of its recordings, or anything inside them."""
        roots = [self.folder] if self._extra_path is None else [self.folder, self._extra_path]
        return any(real_path(path).is_relative_to(real_path(root)) for root in roots)

    def find_path(self, name: str) -> Path:
        """Return where a recording of that name lies.

        Raises
        ------
        RecordingNotFoundError
            There is no folder of that name here; a name never leads out of the folder.
        """
        if self._extra_path is not None and name == self._extra_path.name:
            return self._extra_path
        path = self.folder / name
        sentence = f"{self.folder}: there is no recording named {name[:80]!r}."
        if not _FOLDER_NAME.fullmatch(name):
            raise RecordingNotFoundError(
                f"{sentence} A name that the pages open has letters, digits and ._+=@,- alone, and "
                "begins with a letter or digit: rename the folder."
            )
        if not path.is_dir() or real_path(path).parent != real_path(self.folder):
            raise RecordingNotFoundError(sentence)
        return path

    def open_recording(self, name: str) -> Recording:
        """Return a recording by the name of its folder, up to date.

        Raises
        ------
        RecordingNotFoundError
            There is none of that name.
        InputError
            The folder is no recording.
        """
        with self._lock:
            path = self.find_path(name)
            recording = self._open.get(name)
            if recording is not None:
                bench = recording.manifest.bench
                # A finished one may change, too: a recorder may resume, or a sensor be joined.
                if recording.refresh() and recording.manifest.bench != bench:
                    recording = None
            if recording is None:
                recording = Recording.open(path)
            self._open.put(name, recording, size_bytes=1)
            return recording

    def newest_recorded(self, shown: str | None) -> str | None:
        """Return the name of the newest recording that is being written, else what is shown.

        One that began after the one that is shown and ended unseen comes before it.
        """
        entries = [entry for entry in self.list_entries() if not entry.fault]
        live = next((entry.path.name for entry in entries if entry.live), None)
        current = next((entry for entry in entries if entry.path.name == shown), None)
        if live is not None or current is None:
            return live or shown
        return max(
            (entry for entry in entries if entry.recorded or entry is current),
            key=lambda entry: entry.started_ns,
        ).path.name

    def newest_name(self) -> str:
        """Return the name of the newest readable recording, empty if there is none."""
        return next((f.path.name for f in self.list_entries() if not f.fault), "")

    def derive_once(
        self, purpose: str, recording: Recording, derive: Callable[[Recording], Derived]
    ) -> Derived:
        """Return `derive(recording)`, computed once for each state of the recording."""
        state = recording.end_ns
        return self._derive(purpose, recording.path.name, state, lambda: derive(recording))

    def _derive(
        self, purpose: str, name: str, state: object, make: Callable[[], Derived]
    ) -> Derived:
        """Return the result of `make` for one state of a recording; drop that of earlier states."""
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
        """Return `derive(recording)` for a list of recordings.

        For a finished one it is computed once for each state of its recording.json, without opening
        the recording again: a folder may hold hundreds. One that is open already is not opened
        beside itself: the names of the parts of months alone take tens of megabytes.

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

        def work() -> Derived:
            is_open = self._open.get(name) is not None
            return derive(
                self.open_recording(name) if is_open else Recording.open(self.find_path(name))
            )

        return self._derive(purpose, name, state, work)
