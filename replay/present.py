"""The present on the clock of a live recording, unaffected by steps of the wall clock. Pure."""

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["PresentClock"]

YOUNG_S: Final = 1.0
"""A new row of at most this age by the wall clock is believed to be so old."""
OLDEST_S: Final = 400 * 86400.0
UNWATCHED_S: Final = 3.0
"""After so long without a look nothing is known of when a row was written."""


@dataclass(slots=True)
class PresentClock:
    """Counts on a steady clock how long ago the newest row was written.

    The wall clock gives the age of a newly written row only if that is small: then both clocks
    agree. From there on the steady clock alone counts, as long as it is looked at again and again.
    """

    _newest_ns: int | None = None
    _written_s: float = 0.0
    """When the newest row was written, on the steady clock."""
    _looked_s: float = -math.inf

    def present_ns(self, newest_ns: int, *, steady_s: float, wall_ns: int) -> int:
        """Return the present on the recording's clock.

        Parameters
        ----------
        newest_ns
            Time of the newest row, on the recording's clock.
        steady_s
            Now, on a clock that is never set.
        wall_ns
            Now, on the wall clock.
        """
        age_s = max((wall_ns - newest_ns) / 1e9, 0.0)
        was_watched = steady_s - self._looked_s <= UNWATCHED_S
        self._looked_s = steady_s
        if self._newest_ns is None or not was_watched:
            # The age of a row from before one looked is known from the wall clock alone.
            self._written_s = steady_s - min(age_s, OLDEST_S)
        elif newest_ns > self._newest_ns:
            # It has just been written; if the wall clock differs, it was set.
            self._written_s = steady_s - (age_s if age_s < YOUNG_S else 0.0)
        self._newest_ns = max(newest_ns, self._newest_ns or newest_ns)
        return newest_ns + round((steady_s - self._written_s) * 1e9)
