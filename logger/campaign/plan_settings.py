"""plan.toml as validated settings: stages, what ends each, how cycles are found, what is watched.

A stage has exactly one end. One without an end, or of nothing, is a mistake, as everything that
cannot come true on any bench.
"""

from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, model_validator

from logger.joint.channels import explain_channel_name, is_channel
from logger.settings_file import SettingError, Settings

__all__ = ["CycleStart", "KeepRule", "PlanSettings", "StageEnd", "StageSettings"]

Name = Annotated[str, Field(min_length=1, max_length=100)]
Positive = Annotated[float, Field(gt=0.0)]
ABSOLUTE_ZERO_DEGC: Final = -273.15
END_KEYS: Final = (
    "duration_s",
    "cycles",
    "ambient_within_K",
    "below_degC",
    "equilibrium_K_per_h",
    "note",
)
"""The keys of which a stage has exactly one, in itself or in `until`."""
_STAGE_ENDS: Final = ("duration_s", "cycles")
_MOST_CYCLES: Final = 1_000_000_000
_ALWAYS_KEPT: Final = ("readings_days", "events_days", "alerts_days", "cycles_days")
"""What somebody may want to let go who knows `frames_days`."""
_LONGEST_S: Final = 10.0 * 366 * 86_400
"""Ten years: nobody waits for what takes longer."""


class StageEnd(Settings):
    """What ends a stage: one of its keys, `for_s` beside `ambient_within_K`."""

    duration_s: Annotated[float, Field(gt=0.0, le=_LONGEST_S)] | None = None
    cycles: Annotated[int, Field(gt=0, le=_MOST_CYCLES)] | None = None
    ambient_within_K: Positive | None = None  # noqa: N815 - the unit's own spelling
    """The hottest temperature of the joint is this near to its surroundings."""
    for_s: Annotated[float, Field(ge=0.0, le=_LONGEST_S)] | None = None
    below_degC: float | None = None  # noqa: N815
    """The hottest temperature of the joint is below."""
    equilibrium_K_per_h: Positive | None = None  # noqa: N815
    """No temperature of the joint changes by more; usual is 2 K/h."""
    note: Name | None = None
    """Somebody writes a note with this text."""

    @model_validator(mode="after")
    def _check_end(self) -> Self:
        named = [key for key in END_KEYS if getattr(self, key) is not None]
        if len(named) != 1:
            raise SettingError(
                "",
                found=" and ".join(named) or "no end: the stage would never end",
                expected=f"one of {', '.join(END_KEYS)}",
            )
        if self.for_s is not None and self.ambient_within_K is None:
            raise SettingError("for_s", "this belongs beside ambient_within_K.")
        if self.below_degC is not None and self.below_degC <= ABSOLUTE_ZERO_DEGC:
            raise SettingError(
                "below_degC",
                found=f"{self.below_degC:g}, which nothing ever reaches: the stage would never end",
                expected=f"more than {ABSOLUTE_ZERO_DEGC:g}",
            )
        return self


class CycleStart(Settings):
    """When a cycle begins, where it is not left to be found: a level of a channel, or a note."""

    channel: str | None = None
    """Of the joint; a cycle begins when it rises through `above`."""
    above: float | None = None
    """In the channel's unit; None: learned from the course."""
    hysteresis: Annotated[float, Field(ge=0.0)] | None = None
    """So far below `above` it has to fall before it can rise again; None: as learned, or 0."""
    note: Name | None = None
    """A cycle begins with every note of this text."""

    @model_validator(mode="after")
    def _check_start(self) -> Self:
        if (self.channel is None) == (self.note is None):
            found = "both" if self.note is not None else "neither"
            raise SettingError("", found=found, expected="a channel or a note")
        for key in ("above", "hysteresis"):
            if self.note is not None and getattr(self, key) is not None:
                raise SettingError(key, "this belongs beside a channel, not beside a note.")
        if self.hysteresis is not None and self.above is None:
            raise SettingError("hysteresis", "this belongs beside above.")
        if self.channel is not None and not is_channel(self.channel):
            expected, hint = explain_channel_name(self.channel)
            raise SettingError("channel", found=repr(self.channel), expected=expected, hint=hint)
        return self


class StageSettings(Settings):
    """One stage of a plan, as written."""

    name: Name
    until: StageEnd | None = None
    duration_s: Annotated[float, Field(gt=0.0, le=_LONGEST_S)] | None = None
    """Short for `until = { duration_s = ... }`."""
    cycles: Annotated[int, Field(gt=0, le=_MOST_CYCLES)] | None = None
    """Short for `until = { cycles = ... }`."""
    watch: tuple[str, ...] = ()
    """Figures of each cycle whose trend is looked at."""

    @model_validator(mode="after")
    def _check_end(self) -> Self:
        named = [key for key in _STAGE_ENDS if getattr(self, key) is not None]
        named += ["until"] if self.until is not None else []
        if not named:
            raise SettingError(
                "until",
                "this stage has no end, so that the plan would never end.",
                hint=f"Give it one of {', '.join(END_KEYS)}.",
            )
        if len(named) > 1:
            raise SettingError(named[-1], found=" and ".join(named), expected="one end of a stage")
        doubled = {name for name in self.watch if self.watch.count(name) > 1}
        if doubled:
            raise SettingError(
                "watch", found=f"{sorted(doubled)[0]!r} twice", expected="each figure once"
            )
        return self

    @property
    def end(self) -> StageEnd:
        """What ends it, however it is written."""
        return self.until or StageEnd(duration_s=self.duration_s, cycles=self.cycles)


class KeepRule(Settings):
    """What of a long recording is let go; readings, events, alerts and buckets never are."""

    frames_days: Annotated[float, Field(gt=0.0, le=_LONGEST_S / 86_400.0)]
    """Raw frames older than that are let go, but for those that led up to an alert."""

    @model_validator(mode="before")
    @classmethod
    def _check_only_frames(cls, written: object) -> object:
        if not isinstance(written, dict):
            return written
        for key in _ALWAYS_KEPT:
            if key in written:
                raise SettingError(
                    key,
                    f"{key.removesuffix('_days')} are never let go: every statistic, limit and "
                    "trend rests on what was recorded.",
                    hint="Only raw frames can be: leave this out and write "
                    f"keep = {{ frames_days = {_days(written)} }}.",
                )
        return written


def _days(written: dict[str, Any]) -> str:
    """Return the days of frames that a person wrote, or an example."""
    days = written.get("frames_days")
    return f"{days:g}" if isinstance(days, int | float) else "14"


class PlanSettings(Settings):
    """A plan file."""

    format: Literal[1]
    name: Name
    joint: Name | None = None
    """The joint whose cycles and temperatures are meant; needed where a bench has several."""
    cycle: CycleStart | None = None
    """None: cycles are found by themselves."""
    keep: KeepRule | None = None
    """None: everything is kept."""
    stage: tuple[StageSettings, ...]

    @model_validator(mode="after")
    def _check_stages(self) -> Self:
        if not self.stage:
            raise SettingError("stage", found="no stage", expected="at least one [[stage]]")
        names = [stage.name for stage in self.stage]
        doubled = next((name for name in names if names.count(name) > 1), None)
        if doubled is not None:
            raise SettingError(
                "stage", found=f"two stages {doubled!r}", expected="a name of its own for each"
            )
        return self
