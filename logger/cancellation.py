"""Stops long work from outside: an event that is checked between two pieces of the work.

A signal handler or another thread sets the event. The work checks it where it can stop with nothing
left on the disk, or with the recording unchanged, and raises one sentence that says which.
"""

import threading
from pathlib import Path
from typing import Final

from logger.errors import OutsideFault

__all__ = ["NOTHING_LEFT", "UNCHANGED", "raise_if_stopped", "stopped_error"]

NOTHING_LEFT: Final = "nothing was left behind"
UNCHANGED: Final = "the recording is as it was"


def raise_if_stopped(
    stop: threading.Event | None, path: Path, *, outcome: str = NOTHING_LEFT
) -> None:
    """Raise OutsideFault when `stop` is set; with None never.

    Parameters
    ----------
    path
        File or folder that was worked on, for the message.
    outcome
        Its state afterwards, for the message: `NOTHING_LEFT` or `UNCHANGED`.
    """
    if stop is not None and stop.is_set():
        raise stopped_error(path, outcome=outcome)


def stopped_error(path: Path, *, outcome: str = NOTHING_LEFT) -> OutsideFault:
    """Return the error for work that was stopped from outside, by Ctrl-C for example."""
    return OutsideFault(f"{path}: stopped before its end; {outcome}.")
