"""A limits file that may change while it is in force: looked at, read again, checked first.

A file that is being saved, or does not fit, changes nothing: what is wrong is told once for each
save. For one thread.
"""

from pathlib import Path
from typing import Final

from logger.errors import InputError
from logger.joint.bench.bench import Bench
from logger.limits.limit import LimitSet, check_against, read_limits
from logger.settings_file import stamp_of

__all__ = ["LOOK_S", "LimitsFile"]

LOOK_S: Final = 0.5
"""How often it is worth a look."""


class LimitsFile:
    """Watches one file."""

    def __init__(self, path: Path, bench: Bench, limits: LimitSet) -> None:
        """`limits`: what was read from it and is in force."""
        self._path = path
        self._bench = bench
        self._text = limits.text
        self._seen = stamp_of(self._path)
        # It may have been saved between the reading and now.
        self._fresh = True

    def others(self, limits: LimitSet) -> None:
        """Say that limits from elsewhere are in force now: the next save of the file counts."""
        self._text = limits.text

    def look(self) -> LimitSet | str | None:
        """Return other limits than those in force, or why the file is refused; None: no news."""
        stamp = stamp_of(self._path)
        if stamp == self._seen and not self._fresh:
            return None
        self._seen, self._fresh = stamp, False
        try:
            limits = read_limits(self._path)
            check_against(limits, self._bench, str(self._path))
        except InputError as fault:
            return str(fault)
        if limits.text == self._text:
            return None
        self._text = limits.text
        return limits
