"""By how much an instrument's times were moved, kept with its channels in the bench text. Pure."""

import json

import numpy as np
from pydantic import Field

from logger.arrays import TIME_MAX_NS, TIME_MIN_NS, Ints
from logger.settings_file import Settings

__all__ = ["InstrumentClock"]

_MOST_OFFSET_NS = 7 * 86_400 * 10**9


class InstrumentClock(Settings):
    """The correction of an instrument's clock that is in force, and what it was found from."""

    offset_ns: int = Field(ge=-_MOST_OFFSET_NS, le=_MOST_OFFSET_NS)
    """Added to its times at `middle_ns`; a dead time of the instrument is part of it."""
    drift_ppm: float = Field(default=0.0, ge=-1000, le=1000)
    """How much more is added, in microseconds for each second after `middle_ns`."""
    middle_ns: int = Field(ge=TIME_MIN_NS, le=TIME_MAX_NS)
    """By the instrument's own times, since 1970."""
    low_s: float | None = None
    """The 95 % interval of the offset; None: it was given by hand."""
    high_s: float | None = None
    found_from: str = Field(default="", max_length=200)
    """The channels that were compared."""
    program: str = Field(default="", max_length=80)

    def correct_times(self, time_ns: Ints) -> Ints:
        """Return the instrument's own times as times of the recording, shape (n,)."""
        aside = (time_ns - self.middle_ns) * (self.drift_ppm * 1e-6)
        corrected: Ints = time_ns + self.offset_ns + np.rint(aside).astype(np.int64)
        return corrected

    def own_times(self, time_ns: Ints) -> Ints:
        """Return corrected times as the instrument told them, right to a nanosecond, shape (n,)."""
        since = time_ns - self.middle_ns - self.offset_ns
        own: Ints = self.middle_ns + np.rint(since / (1.0 + self.drift_ppm * 1e-6)).astype(np.int64)
        return own

    def to_toml(self) -> str:
        """Return it as an inline table."""
        keys = (
            f"{name} = {json.dumps(value, ensure_ascii=False)}"
            for name, value in self.model_dump(exclude_none=True).items()
        )
        return f"{{ {', '.join(keys)} }}"
