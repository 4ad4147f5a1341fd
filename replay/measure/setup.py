"""What a measurement is evaluated from: typed readings, spans of recordings as arrays, settings.

Pure: an evaluation gets one `BenchSetup` and reads nothing else.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from replay.measure.reading import Reading

__all__ = ["BenchSetup", "JointFacts", "SpanTrace"]

_ROLE: Final = re.compile(r"[a-z]+(?:[_-][a-z]+)*")


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanTrace:
    """One named span of a recording: its channels as arrays."""

    name: str
    recording: str
    start_ns: int
    end_ns: int
    series: Mapping[str, tuple[Floats, Floats]]
    """Channel -> times in s since the earliest span's start, and values; shape (n,) both."""
    segments: int = 1
    """How many stretches of position it has, each with its own zero."""
    grids: Mapping[str, float] = field(default_factory=dict)
    """Channel -> the step of one count, where it is known."""
    holds_s: Mapping[str, float] = field(default_factory=dict)
    """Channel -> for how long a reading stands, where it is known."""
    modes: tuple[tuple[float, str], ...] = ()
    """Time in s -> the control mode from then on, as the drive reports it: torque, current, speed,
    position, "" for none of them. Empty: it does not report it."""

    @property
    def role(self) -> str:
        """The name without its number: `plus` of plus2."""
        match = _ROLE.match(self.name)
        return match[0] if match else self.name

    @property
    def duration_s(self) -> float:
        """Its length."""
        return (self.end_ns - self.start_ns) * 1e-9

    def channel(self, name: str) -> tuple[Floats, Floats]:
        """Return times and values of a channel, shape (n,) each; empty where it has none."""
        return self.series.get(name, (np.empty(0), np.empty(0)))

    def is_in_mode(self, mode: str, times_s: Floats) -> np.ndarray:
        """Return at which times a control mode was on; at all of them where none is reported."""
        if not self.modes:
            return np.ones(len(times_s), bool)
        began_s = np.array([at for at, _ in self.modes])
        is_on = np.array([name == mode for _, name in self.modes])
        at = np.searchsorted(began_s, times_s, "right") - 1
        return is_on[np.maximum(at, 0)] & (at >= 0)

    def mean_of(self, name: str) -> float:
        """Return the mean of a channel, NaN where it has no value."""
        values = self.channel(name)[1]
        return float(values.mean()) if len(values) else float("nan")

    def values_at(self, name: str, times_s: Floats) -> Floats:
        """Return a channel at other times, between its readings along the straight line."""
        own_s, values = self.channel(name)
        if not len(own_s):
            return np.full(len(times_s), np.nan)
        return np.interp(times_s, own_s, values)


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFacts:
    """What the bench file says of the joint."""

    name: str = ""
    per_ampere: float | None = None
    """N.m at the output for one ampere."""
    is_torque_derived: bool = False
    """Its torque is computed from its current."""
    torque_constant: float | None = None
    """N.m for one ampere by which its recorded torque was made from current; None: by none."""
    gear_ratio: float = 1.0
    rated_torque: float | None = None
    is_position_of_motor: bool = True
    """Its position comes from an encoder on the motor's side of the gear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchSetup:
    """Everything that one measurement stands on."""

    joint: JointFacts = JointFacts()
    readings: tuple[Reading, ...] = ()
    spans: tuple[SpanTrace, ...] = ()
    channels: Mapping[str, str] = field(default_factory=dict)
    """Name of a reading -> the channel that it is taken from in place of being typed."""
    divisions: Mapping[str, float] = field(default_factory=dict)
    """Name of a reading -> the step that its instrument is read to, in SI; before it is typed."""

    def readings_named(self, name: str) -> tuple[Reading, ...]:
        """Return the readings of a name, in the order in which they were typed."""
        return tuple(one for one in self.readings if one.name == name)

    def single_reading(self, name: str) -> Reading | None:
        """Return the one reading of a name, None where there is none.

        Raises
        ------
        InputError
            There are several.
        """
        found = self.readings_named(name)
        if len(found) > 1:
            raise InputError(
                f"found {len(found)} readings {name!r}, expected one: it stands for the "
                "whole measurement.",
                where="--reading",
            )
        return found[0] if found else None

    def needed_reading(self, name: str, words: str) -> Reading:
        """Return the one reading of a name.

        Raises
        ------
        InputError
            There is none, or several.
        """
        found = self.single_reading(name)
        if found is None:
            raise InputError(f"found no {name!r}, expected {words}.", where="--reading")
        return found

    def spans_in_role(self, *roles: str) -> tuple[SpanTrace, ...]:
        """Return the spans whose name without its number is one of these."""
        return tuple(one for one in self.spans if one.role in roles)

    def span_named(self, name: str) -> SpanTrace:
        """Return the span of a name.

        Raises
        ------
        InputError
            There is none.
        """
        for one in self.spans:
            if one.name == name:
                return one
        known = ", ".join(one.name for one in self.spans) or "none"
        raise InputError(
            f"found 'at {name}', expected a span that is named by --span: {known}.",
            where="--reading",
        )

    def require_channels(self, spans: Sequence[SpanTrace], *names: str) -> None:
        """Refuse spans that lack a channel.

        Raises
        ------
        InputError
            With the span and the channel.
        """
        for span in spans:
            for name in names:
                if len(span.channel(name)[0]) < 2:
                    raise InputError(
                        f"found no {name} of {self.joint.name}, expected it to be recorded there.",
                        where=f"{span.recording}: span {span.name!r}",
                    )
