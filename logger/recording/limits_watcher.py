"""A limits file that may change while it is in force: looked at, read again, checked first.

A file that is being saved, or does not fit, changes nothing: what is wrong is told once for each
save. For one thread.
"""

from pathlib import Path
from typing import Final

from logger.errors import InputError
from logger.joint.bench.bench import Bench
from logger.limits.limit import LimitSet, check_for_bench, read_limits
from logger.settings_file import file_stamp

__all__ = ["FILE_CHECK_S", "LimitsWatcher"]

FILE_CHECK_S: Final = 0.5
"""How often it is worth a look."""


class LimitsWatcher:
    """Watches one file."""

    def __init__(self, path: Path, bench: Bench, limits: LimitSet) -> None:
        """`limits`: what was read from it and is in force."""
        self._path = path
        self._bench = bench
        self._text = limits.text
        self._seen_stamp = file_stamp(self._path)
        # It may have been saved between the reading and now.
        self._fresh_limits = True

    def replace_current(self, limits: LimitSet) -> None:
        """Say that limits from elsewhere are in force now: the next save of the file counts."""
        self._text = limits.text

    def poll_file(self) -> LimitSet | str | None:
        """Return other limits than those in force, or why the file is refused; None: no news."""
        stamp = file_stamp(self._path)
        if stamp == self._seen_stamp and not self._fresh_limits:
            return None
        self._seen_stamp, self._fresh_limits = stamp, False
        try:
            limits = read_limits(self._path)
            check_for_bench(limits, self._bench, str(self._path))
        except InputError as fault:
            return str(fault)
        if limits.text == self._text:
            return None
        self._text = limits.text
        return limits
