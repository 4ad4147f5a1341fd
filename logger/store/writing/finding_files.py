"""The findings of a recording: one small file each, written once and never changed.

Their bytes are kept as they came: one of a newer program may be of a format that this one does not
know.
"""

from pathlib import Path
from typing import Final

from logger.store.layout.files import FINDINGS_FOLDER, sync_folder, write_atomically

__all__ = ["FINDING_SUFFIX", "write_finding_file"]

FINDING_SUFFIX: Final = ".json"


def write_finding_file(recording: Path, finding_id: str, content: bytes) -> None:
    """Write a finding so that it is on the disk, whole, when this returns.

    One of that id that is there already stays as it is: the same request may come twice after a
    crash, and a finding is never edited.

    Raises
    ------
    OSError
        Nothing is left behind.
    """
    folder = recording / FINDINGS_FOLDER
    path = folder / f"{finding_id}{FINDING_SUFFIX}"
    if path.is_file():
        return
    if not folder.is_dir():
        # Not its parents: a recording that was moved is not begun again in the old place.
        folder.mkdir(exist_ok=True)
        sync_folder(recording)
    write_atomically(path, lambda file: file.write(content))
