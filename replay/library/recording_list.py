"""The recordings in a folder, as a pandas table."""

from os import PathLike
from pathlib import Path

import pandas as pd

from replay.library.frames import table_of
from replay.recordings_folder import find_recordings

__all__ = ["list_recordings"]


def list_recordings(folder: str | PathLike[str] = "recordings") -> pd.DataFrame:
    """Return the recordings in a folder: live ones first, then the newest, damaged ones last.

    Returns
    -------
    pandas.DataFrame
        Index `path`; `name`, `start`, `live`, and `fault`: why it cannot be read, "" if it can.

    Raises
    ------
    InputError
        The folder may not be read.

    Examples
    --------
    >>> dutytrace.recordings("recordings")["name"].to_list()
    ['Fan failure, pick and place']
    """
    rows = [
        {
            "path": str(entry.path),
            "name": entry.name,
            "start": None if entry.fault else entry.started_ns,
            "live": entry.live,
            "fault": entry.fault,
        }
        for entry in find_recordings(Path(folder))
    ]
    return table_of(
        rows, ("path", "name", "start", "live", "fault"), times=("start",), units={}, index="path"
    )
