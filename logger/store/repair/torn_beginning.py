"""A folder that a recorder made and could not make a recording of: its power went at once."""

import shutil
from pathlib import Path
from typing import Final

from logger.store.layout.files import INBOX_FOLDER, JOURNAL_FOLDER, LOCK_FILE, MANIFEST_FILE
from logger.store.layout.lock import WriteLock

__all__ = ["remove_torn_beginning"]

_LEFTOVERS: Final = frozenset((LOCK_FILE, JOURNAL_FOLDER, INBOX_FOLDER, f".{MANIFEST_FILE}.aside"))


def remove_torn_beginning(path: Path) -> bool:
    """Remove a folder in which a recording began and has nothing yet; return whether it is gone.

    Anything else that lies in it keeps it: only what a beginning makes before recording.json goes.

    Raises
    ------
    InputError
        A recorder is beginning there at this moment, or it may not be written.
    OSError
        It cannot be looked at or removed.
    """
    if path.is_symlink() or not path.is_dir():
        return False
    if not {entry.name for entry in path.iterdir()} <= _LEFTOVERS:
        return False
    for folder in (path / JOURNAL_FOLDER, path / INBOX_FOLDER):
        if folder.is_dir() and any(folder.iterdir()):
            return False
    with WriteLock(path):
        shutil.rmtree(path)
    return True
