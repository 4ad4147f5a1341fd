"""Oscillation: a channel swings by an amplitude or more within a band of frequencies.

The amplitude is that of logger/joint/oscillation.py: zero to peak, of the sine that has the power
of what passes the band, over two cycles of its lowest frequency. An offset and a drift do not
count, and neither does what swings slower or faster; at the very ends of the band 0.71 of an
amplitude is known. A step rings in any band for about as long as that window: the on-delay should
be longer where set-points jump.

Readings every T resolve no frequency above 1 / (5 T): a bench whose frames are further
apart is refused. Where they come less often than four times a cycle after all, there is no score:
running delays start again, and an alert stays.

Gaps: any forgets the window, also one that is short against it, since a straight line over a gap is
no swing. Where gaps come more often than the window is full, nothing is judged, and that is said.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, model_validator

from logger.errors import Mistake
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.bench.value import ChannelName
from logger.joint.channels import channel_named
from logger.joint.oscillation import (
    LEAST_A_CYCLE,
    READINGS_A_CYCLE,
    WINDOW_CYCLES,
    OscillationState,
    band_amplitude,
    highest_frequency_Hz,
)
from logger.joint.quantities import Display
from logger.limits.kind import LimitForm, PositiveNumber, SummaryStyle
from logger.limits.levels import DragHandle, drop_off_handle
from logger.limits.phrases import Phrases, clear_amount, format_channel_value, format_number
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import LimitMemory, Scores
from logger.limits.series import Series
from logger.settings_file import SettingError

__all__ = ["Oscillation", "OscillationMemory"]

Frequency = Annotated[float, Field(ge=1e-3, le=1e5)]


class Oscillation(ScoredLimit):
    """A channel must not oscillate by so much within a band of frequencies."""

    kind: Literal["oscillation"] = "oscillation"
    channel: ChannelName
    above: PositiveNumber
    """Amplitude, zero to peak and not peak to peak, in the channel's unit."""
    drop_off: float | None = Field(default=None, ge=0)
    band_Hz: tuple[Frequency, Frequency]  # noqa: N815 - the unit's own spelling
    """Lowest and highest frequency."""

    threshold_keys: ClassVar[frozenset[str]] = frozenset(("above", "drop_off"))
    bridges_window: ClassVar[bool] = False
    measure_words: ClassVar[str] = ", amplitude in the band"
    form: ClassVar[LimitForm] = LimitForm(
        key="oscillation",
        words="oscillation",
        blank={
            "channel": "torque_Nm",
            "above": 2.0,
            "drop_off": 1.5,
            "band_Hz": [3.0, 12.0],
            "on_delay_s": 2.0,
        },
        keys={
            "above": ("swings to either side by", "channel"),
            "drop_off": ("drops off at", "channel"),
            "band_Hz": ("between the frequencies", "Hz"),
        },
        drop_offs={"above": "drop_off"},
    )
    example: ClassVar[str] = """\
# A channel that oscillates: the amplitude (zero to peak) of what swings within a band of
# frequencies. Offset, drift and slower motion do not count. Needs five readings a cycle of the
# highest frequency; a step rings for about two cycles of the lowest, so wait for longer.
[[limit]]
name       = "shaking"
kind       = "oscillation"
severity   = "warning"
channel    = "torque_Nm"
above      = 2.0
drop_off   = 1.5
band_Hz    = [3.0, 12.0]
on_delay_s = 2.0
"""

    @model_validator(mode="after")
    def _fits(self) -> "Oscillation":
        if self.drop_off is not None and self.drop_off > self.above:
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g}",
                expected=f"at most {self.above:g}, the above of this limit",
            )
        low, high = self.band_Hz
        if high < 1.1 * low:
            raise SettingError(
                "band_Hz",
                found=f"[{low:g}, {high:g}]",
                expected="the lower frequency first and the higher one at least a tenth above it: "
                "a narrower band rings for too long",
            )
        return self

    @property
    def clears_at(self) -> float:
        """The amplitude at or below which it counts as gone."""
        return self.above if self.drop_off is None else self.drop_off

    @property
    def window_s(self) -> float:
        """See `ScoredLimit`."""
        return WINDOW_CYCLES / self.band_Hz[0]

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("channel", self.channel),)

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {self.channel: "swing"}

    def initial_memory(self) -> LimitMemory:
        """See `JointLimit`."""
        return OscillationMemory()

    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory]:
        """Return the amplitude at each reading that has one."""
        assert isinstance(memory, OscillationMemory), "`initial_memory` gave it"
        at = series.channel_series(self.channel)
        hold_ns = series.hold_ns[self.channel]
        amplitude, state = band_amplitude(
            memory.state, at.time_ns, at.values, band_Hz=self.band_Hz, hold_ns=hold_ns
        )
        known = np.flatnonzero(np.isfinite(amplitude))
        scores = Scores(
            time_ns=at.time_ns[known],
            batch_rows=known if at.rows is None else at.rows[known],
            score=amplitude[known],
            reported=amplitude[known],
            pick_up=self.above,
            drop_off=self.clears_at,
            hold_ns=hold_ns,
        )
        return scores, OscillationMemory(state=state)

    def scores_of_seconds(self, series: Series) -> Scores:
        """See `ScoredLimit`: all that swings within a second, whatever its frequency."""
        at = series.channel_series(self.channel)
        return Scores(
            time_ns=at.time_ns,
            batch_rows=at.rows,
            score=at.values,
            reported=at.values,
            pick_up=self.above,
            drop_off=self.clears_at,
            hold_ns=series.hold_ns[self.channel],
        )

    def mistakes_of_rate(self, joint: str, period_s: float) -> Iterator[Mistake]:
        """See `JointLimit`."""
        highest = highest_frequency_Hz(period_s)
        if self.band_Hz[1] > highest * (1 + 1e-9):
            yield Mistake(
                key=("band_Hz",),
                found=f"{self.band_Hz[1]:g} as the highest frequency",
                expected=f"at most {highest:g}: {self.channel} of {joint!r} comes every "
                f"{period_s:g} s, and a cycle takes {READINGS_A_CYCLE:g} readings to be told",
            )

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        what = channel_named(self.channel).label
        level = format_channel_value(self.channel, self.above, displays=displays)
        clear = format_channel_value(self.channel, self.clears_at, displays=displays)
        less = clear_amount(clear, at_pick_up=self.clears_at == self.above)
        low, high = (format_number(one, 1, setting=True) for one in self.band_Hz)
        within = f"between {low} and {high} Hz"
        by = f"by {level} or more to either side {within}"
        return Phrases(
            label=f"{what} oscillating by {level} or more {within}",
            subject=f"the {what} of {self.joint or 'any joint'}",
            reaches=f"oscillates {by}",
            stays=f"oscillates {by}",
            clears=f"at {less}",
            back=f"{what} oscillating by {less}",
        )

    def describe(self) -> str:
        """See `LimitKind`; adds how often readings must come."""
        least = format_number(READINGS_A_CYCLE * self.band_Hz[1], 0)
        return f"{super().describe()}; needs {least} readings a second"

    def not_judged_condition(self, hold_ns: Mapping[str, int]) -> str:
        """See `ScoredLimit`; adds how seldom is too seldom."""
        least = format_number(LEAST_A_CYCLE * self.band_Hz[1], 0)
        return f"{super().not_judged_condition(hold_ns)}, or fewer than {least} readings a second"

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        return DragHandle(key="above", position=self.above), *drop_off_handle(
            "drop_off", self.drop_off
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class OscillationMemory(LimitMemory):
    """The state of the band-pass and of its window."""

    state: OscillationState = field(default_factory=OscillationState)
