"""Buses: the load of one, errors and unreadable lines on all, frames that the recorder lost.

Evaluated once a second, without a joint. Where a limits file has none on losses, one applies that
always did: a loss warns until a minute has passed without another.
"""

from collections.abc import Mapping
from typing import ClassVar, Final, Literal

from pydantic import Field, model_validator

from logger.event_kind import EventKind
from logger.joint.quantities import DISPLAYS, Display
from logger.limits.kind import PositiveNumber
from logger.limits.limit_change import LimitChange
from logger.limits.phrases import Phrases, clear_side, format_number, format_span
from logger.limits.recorder_limit import RecorderLimit, RecorderSample
from logger.settings_file import SettingError

__all__ = ["FRAMES_LOST", "BusLimit"]

LOST_CLEAR_AFTER_S: Final = 60.0
_COUNTED: Final = {
    "error-frames": "error frames a second",
    "garbled": "unreadable lines or frames a second",
}


class BusLimit(RecorderLimit):
    """A bus must not be that loaded, have that many errors, be unreadable, or lose frames."""

    kind: Literal["bus"] = "bus"
    watch: Literal["load", "error-frames", "garbled", "lost"]
    """The load of the bus that is loaded most; on all buses together error frames a second, lines
    or frames a second that could not be read, or frames lost."""
    above: PositiveNumber | None = None
    """A share of 1 for the load; error frames, or unreadable lines, a second; of losses left out:
    any."""
    drop_off: float | None = Field(default=None, ge=0)

    example: ClassVar[str] = """\
# The buses, looked at once a second: load (a share of 1), error frames a second, lines or frames of
# the adapter a second that cannot be read, frames lost.
[[limit]]
name       = "bus-full"
kind       = "bus"
severity   = "warning"
watch      = "load"
above      = 0.7
drop_off   = 0.6
on_delay_s = 10.0

[[limit]]
name     = "bus-errors"
kind     = "bus"
severity = "warning"
watch    = "error-frames"
above    = 10.0
drop_off = 1.0

[[limit]]
name     = "bus-unreadable"
kind     = "bus"
severity = "warning"
watch    = "garbled"
above    = 10.0
drop_off = 1.0

[[limit]]
name        = "losses"
kind        = "bus"
severity    = "warning"
watch       = "lost"
off_delay_s = 60.0
"""

    @model_validator(mode="after")
    def _fits(self) -> "BusLimit":
        if self.watch == "lost":
            for key in ("above", "drop_off", "on_delay_s"):
                if key in self.model_fields_set:
                    raise SettingError(
                        key,
                        found=f"{getattr(self, key):g} with watch = 'lost'",
                        expected="none: any loss counts, at once",
                        hint="off_delay_s says how long without another.",
                    )
            return self
        if self.above is None:
            raise SettingError("above", "this key is missing; only losses have none.")
        if self.watch == "load" and self.above > 1:
            raise SettingError(
                "above", found=f"{self.above:g}", expected="at most 1: the load is a share of 1"
            )
        if self.drop_off is not None and self.drop_off > self.above:
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g}",
                expected=f"at most {self.above:g}, the above of this limit",
            )
        return self

    @property
    def is_watched_key(self) -> str:
        """See `RecorderLimit`."""
        return self.watch

    @property
    def clear_after_s(self) -> float | None:
        """See `RecorderLimit`."""
        if self.watch != "lost":
            return None
        return self.off_delay_s if "off_delay_s" in self.model_fields_set else LOST_CLEAR_AFTER_S

    @property
    def pick_up(self) -> float:
        """See `RecorderLimit`; any loss counts."""
        return 0.0 if self.above is None else self.above

    @property
    def clears_at(self) -> float:
        """At or below which it counts as gone; of losses 0."""
        found = self.above if self.drop_off is None else self.drop_off
        return 0.0 if found is None else found

    def value_of(self, sample: RecorderSample) -> float:
        """See `RecorderLimit`."""
        values = {
            "load": sample.load,
            "error-frames": sample.error_frames,
            "garbled": sample.garbled,
            "lost": sample.lost,
        }
        return values[self.watch]

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        if self.clear_after_s is not None:
            return Phrases(
                label="frames lost",
                subject="the recorder",
                reaches="loses a frame",
                stays="loses a frame",
                clears=f"when none was lost for {format_span(self.clear_after_s)}",
                back=f"No frame was lost for {format_number(self.clear_after_s, 3)} s",
            )
        below = clear_side("below", at_pick_up=self.clears_at == self.pick_up)
        if self.watch == "load":
            level = f"{format_number(self.pick_up * 100, 1)} %"
            clear = f"{format_number(self.clears_at * 100, 1)} %"
            what, subject = "bus load", "the load of a bus"
        else:
            level, clear = format_number(self.pick_up, 1), format_number(self.clears_at, 1)
            what = _COUNTED[self.watch]
            subject = f"the number of {what}"
        return Phrases(
            label=f"{what} at or above {level}",
            subject=subject,
            reaches=f"reaches {level}",
            stays=f"stays at or above {level}",
            clears=f"{below} {clear}",
            back=f"{what[0].upper()}{what[1:]} back {below} {clear}",
        )

    def describe(self) -> str:
        """See `LimitKind`."""
        if self.clear_after_s is None:
            return super().describe()
        phrases = self.phrases(DISPLAYS)
        # Its off-delay is how long it must be calm, which `clears` says already.
        return (
            f"{self._verb()} when {phrases.subject} {phrases.reaches}; clears {phrases.clears}"
            f"{self._latch()}"
        )

    def sentence(self, change: LimitChange) -> str:
        """See `LimitKind`."""
        if self.clear_after_s is None:
            return super().sentence(change)
        count = f"{change.peak:.0f} frame{'' if change.peak == 1 else 's'}"
        if change.kind == EventKind.RAISED:
            return f"The recorder lost {count}: their readings are missing."
        return f"{self.phrases(DISPLAYS).back}; {count} had been."

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        if self.watch == "load":
            return f"{format_number(value * 100, 1)} %"
        return format_number(value, 1)


FRAMES_LOST: Final = BusLimit(name="frames-lost", severity="warning", watch="lost")
