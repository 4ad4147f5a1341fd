"""The recordings of a folder, by their manifests alone."""

import os
from dataclasses import dataclass
from pathlib import Path

from logger.errors import InputError
from logger.store.layout.files import MANIFEST_FILE
from logger.store.layout.lock import writer_pid
from logger.store.layout.manifest import read_manifest

__all__ = ["RecordingEntry", "find_recordings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingEntry:
    """A folder with a recording's manifest."""

    path: Path
    name: str
    started_ns: int
    live: bool
    recorded: bool = False
    """Whether a recorder wrote it from a bus: no import, no cut."""
    fault: str
    """Why its manifest cannot be read; empty if it can."""


def find_recordings(folder: Path) -> list[RecordingEntry]:
    """Return the recordings in a folder, live ones first, then the newest; broken ones last.

    One that cannot be understood, or whose folder may not be read, has a `fault` and is no matter
    to the others.

    Raises
    ------
    InputError
        The folder itself may not be read.
    """
    entries = []
    for path in _folders_in(folder):
        try:
            if not (path / MANIFEST_FILE).exists():
                continue
            manifest = read_manifest(path)
        except (InputError, OSError) as fault:
            reason = f"{path}: {fault.strerror or fault}." if isinstance(fault, OSError) else fault
            entries.append(
                RecordingEntry(
                    path=path, name=path.name, started_ns=0, live=False, fault=str(reason)
                )
            )
            continue
        live = manifest.ended_ns is None and writer_pid(path) is not None
        entries.append(
            RecordingEntry(
                path=path,
                name=manifest.name,
                started_ns=manifest.started_ns,
                live=live,
                recorded=manifest.clock.boottime_ns > 0 and not manifest.cut_from,
                fault="",
            )
        )
    return sorted(entries, key=lambda entry: (entry.live, entry.started_ns), reverse=True)


def _folders_in(folder: Path) -> list[Path]:
    """Return the visible folders in a folder; empty where there is none."""
    try:
        with os.scandir(folder) as entries:
            return [
                Path(entry.path)
                for entry in entries
                if not entry.name.startswith(".") and _is_folder(entry)
            ]
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as fault:
        raise InputError(
            f"{folder}: this folder cannot be read ({fault.strerror or fault}), expected one that "
            "holds recordings."
        ) from None


def _is_folder(entry: "os.DirEntry[str]") -> bool:
    try:
        return entry.is_dir()
    except OSError:
        # A link whose target may not be looked at: listed, with the reason.
        return True
