"""How long work is ended from outside: a flag that is looked at now and then, and one sentence.

Who ends it sets an event, from a signal handler or another thread; who works looks between two
pieces, so that what is left behind is nothing or as it was.
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
    """Raise OutsideFault when `stop` is set; None is never set.

    Parameters
    ----------
    path
        What was worked on, for the message.
    outcome
        What is left of it: `NOTHING_LEFT` or `UNCHANGED`.
    """
    if stop is not None and stop.is_set():
        raise stopped_error(path, outcome=outcome)


def stopped_error(path: Path, *, outcome: str = NOTHING_LEFT) -> OutsideFault:
    """Return what is raised for work that was ended from outside, a Ctrl-C among it."""
    return OutsideFault(f"{path}: stopped before its end; {outcome}.")
