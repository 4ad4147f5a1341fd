"""The sweep file as checked settings: what it may hold, and what fits together. Pure."""

import math
from typing import Any, Final, Literal

import numpy as np
from pydantic import Field, model_validator

from logger.joint.bench.value import ChannelName
from logger.limits.kind import DelayDuration, FiniteNumber, PositiveDuration
from logger.settings_file import SettingError, Settings

__all__ = ["MAX_CANDIDATES", "BadEnd", "RandomDraws", "SweepFile", "Vary"]

MAX_CANDIDATES: Final = 200_000
"""Candidates of one sweep; more is taken for a mistake."""


class BadEnd(Settings):
    """What a limit should have warned of: a level on a channel, or a note."""

    channel: ChannelName | None = None
    above: FiniteNumber | None = None
    below: FiniteNumber | None = None
    drop_off: FiniteNumber | None = None
    for_s: DelayDuration = 0.0
    """For how long the level must be exceeded; the bad end begins at the first reading."""
    joint: str | None = None
    """None: each joint that the limits watch, for itself."""
    note: str | None = Field(default=None, min_length=1)
    """A text that the note contains, in upper or lower case."""
    length_s: PositiveDuration | None = None
    """How long the bad end lasts from the note on."""
    within_s: PositiveDuration | None = None
    """An alert counts for a bad end that begins within so long; None: however early, back to the
    previous bad end."""
    apart_s: DelayDuration = 60.0
    """Bad ends that follow each other within so long are one."""
    least_lead_s: DelayDuration = 0.0
    """An alert with a shorter lead than this does not catch a bad end."""

    @model_validator(mode="after")
    def _fits(self) -> "BadEnd":
        if (self.channel is None) == (self.note is None):
            raise SettingError("channel", "expected one of channel (with above or below) and note.")
        if self.note is not None:
            for key in ("above", "below", "drop_off", "for_s"):
                if key in self.model_fields_set:
                    raise SettingError(
                        key,
                        found="it together with note",
                        expected="length_s: how long a bad end lasts from its note on",
                    )
            if self.length_s is None:
                raise SettingError(
                    "length_s",
                    "this key is missing; with note it says how long the bad end lasts "
                    "from the note on.",
                )
            return self
        if self.length_s is not None:
            raise SettingError(
                "length_s",
                "found it without note; a level is a bad end for as long as it is exceeded.",
            )
        if (self.above is None) == (self.below is None):
            raise SettingError("above", "expected one of above and below.")
        return self


class Vary(Settings):
    """One key of one limit, and the values that it takes."""

    limit: str
    key: str
    values: tuple[Any, ...] | None = None
    start: FiniteNumber | None = Field(default=None, alias="from")
    to: FiniteNumber | None = None
    steps: int | None = Field(default=None, ge=2, le=100_000)
    spacing: Literal["linear", "log"] = "linear"
    offset_of: str | None = None
    """Another key of the limit, to whose value the values are added."""

    @model_validator(mode="after")
    def _fits(self) -> "Vary":
        if (self.values is None) == (self.start is None and self.to is None):
            raise SettingError("values", "expected either values, or from and to.")
        if self.values is not None:
            if not self.values:
                raise SettingError("values", found="an empty list", expected="at least one value")
            for key in ("steps", "spacing"):
                if key in self.model_fields_set:
                    raise SettingError(
                        key, found="it together with values", expected="it with from, to"
                    )
            return self
        if self.start is None or self.to is None:
            raise SettingError("from", "expected both from and to.")
        if self.start >= self.to:
            raise SettingError(
                "to",
                found=f"{self.to:g}",
                expected=f"more than {self.start:g}, the from of this range: it is empty",
            )
        if self.spacing == "log" and self.start <= 0:
            raise SettingError(
                "from", found=f"{self.start:g} with spacing = 'log'", expected="more than 0"
            )
        return self

    def values_at(self, shares: np.ndarray[Any, np.dtype[np.float64]]) -> list[float]:
        """Return the values at shares (0 to 1) of the range, rounded to nine digits."""
        assert self.start is not None
        assert self.to is not None
        if self.spacing == "log":
            low, high = math.log(self.start), math.log(self.to)
            values = np.exp(low + shares * (high - low))
        else:
            values = self.start + shares * (self.to - self.start)
        return [min(max(float(f"{value:.9g}"), self.start), self.to) for value in values.tolist()]


class RandomDraws(Settings):
    """Draw candidates at random instead of taking every combination."""

    draws: int = Field(ge=1, le=MAX_CANDIDATES)
    seed: int = Field(ge=0)


class SweepFile(Settings):
    """What a sweep file may hold."""

    format: Literal[1]
    bad_end: BadEnd
    vary: tuple[Vary, ...] = Field(min_length=1)
    random: RandomDraws | None = None
