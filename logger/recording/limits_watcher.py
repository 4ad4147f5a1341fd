"""A limits file that may change while it is in force: watched, read again, checked first.

A file that is being saved, or does not fit the bench, changes nothing: what is wrong is reported
once for each save. For one thread.
"""

from pathlib import Path
from typing import Final

from logger.errors import InputError
from logger.joint.bench.bench import Bench
from logger.limits.limit import LimitSet, check_for_bench, parse_limits
from logger.settings_file import file_stamp, read_text

__all__ = ["FILE_CHECK_S", "LimitsWatcher"]

FILE_CHECK_S: Final = 0.5
"""How often the file is looked at."""


class LimitsWatcher:
    """Watches one limits file."""

    def __init__(self, path: Path, bench: Bench, limits: LimitSet) -> None:
        """`limits`: those that were read from the file and are in force."""
        self._path = path
        self._bench = bench
        self._text = limits.text
        self._seen_stamp = file_stamp(self._path)
        # It may have been saved between the reading and now.
        self._fresh_limits = True

    def replace_current(self, limits: LimitSet) -> None:
        """Note that limits from elsewhere are in force; the next save of the file replaces them."""
        self._text = limits.text

    def poll_file(self) -> LimitSet | str | None:
        """Return new limits, or a sentence why the file is refused; None where nothing changed."""
        stamp = file_stamp(self._path)
        if stamp == self._seen_stamp and not self._fresh_limits:
            return None
        self._seen_stamp, self._fresh_limits = stamp, False
        try:
            # What is refused becomes an event: where the file lies concerns only this machine.
            limits = parse_limits(read_text(self._path, "limits file"), self._path.name)
            check_for_bench(limits, self._bench, self._path.name)
        except InputError as fault:
            return str(fault)
        if limits.text == self._text:
            return None
        self._text = limits.text
        return limits
