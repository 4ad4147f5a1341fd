"""Touch temperature: a surface that is too hot for the time that a hand may stay on it.

After ISO 13732-1, bare metal. What the standard sets are burn thresholds, guidance and no limits:
so they are settings with defaults. 48 degC for 10 min and 43 degC for 8 h were read second-hand,
51 degC for 1 min, 55 degC for 10 s and the lower edge of the band for 1 s (65 to 70 degC) come from
memory. A threshold counts as reached at the threshold, as every level does.

Gaps: as of a level: each reading is judged by itself, delays run on over short gaps and start again
after longer ones (logger/limits/gaps.py), an alert stays.
"""

from collections.abc import Mapping
from functools import cached_property
from typing import ClassVar, Final, Literal

from pydantic import Field, model_validator

from logger.joint.bench.joint_settings import RatedValues
from logger.joint.bench.value import ChannelName
from logger.joint.channels import channel_named
from logger.joint.quantities import Display
from logger.limits.kind import FiniteNumber, LimitForm, SummaryStyle
from logger.limits.levels import DragHandle, LimitLevel, drop_off_handle
from logger.limits.phrases import Phrases, clear_side, format_channel_value, format_span
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import LimitMemory, Scores
from logger.limits.series import Series
from logger.limits.thresholds import level_pair
from logger.settings_file import SettingError

__all__ = ["THRESHOLDS_DEGC", "TouchTemperature", "measure_touch"]

THRESHOLDS_DEGC: Final = {1.0: 65.0, 10.0: 55.0, 60.0: 51.0, 600.0: 48.0, 28_800.0: 43.0}
"""Time of contact in s -> burn threshold of bare metal in degC."""

_SURFACE: Final = "temperature_housing_degC"
_INNER: Final = {
    "temperature_winding_degC": "which lies inside: nobody touches it",
    "temperature_drive_degC": "which lies inside: nobody touches it",
    "temperature_ambient_degC": "which is of the air",
}


class TouchTemperature(ScoredLimit):
    """A surface must not be hotter than may be touched."""

    kind: Literal["touch"] = "touch"
    channel: ChannelName = _SURFACE
    contact_s: float = Field(gt=0, le=86_400)
    """How long a hand may stay: 1, 10, 60, 600 or 28800, or any with `above`."""
    above: FiniteNumber | None = None
    """Another threshold than that for bare metal."""
    drop_off: FiniteNumber | None = None

    draws_levels: ClassVar[bool] = True
    threshold_keys: ClassVar[frozenset[str]] = frozenset(("contact_s", "above", "drop_off"))
    form: ClassVar[LimitForm] = LimitForm(
        key="touch",
        words="burn threshold",
        blank={"contact_s": 60.0},
        keys={
            "contact_s": ("touched for", "s"),
            "above": ("picks up at or above", "channel"),
            "drop_off": ("drops off at", "channel"),
        },
        drop_offs={"above": "drop_off"},
    )
    example: ClassVar[str] = """\
# Too hot to touch for so long: a burn threshold of ISO 13732-1 for bare metal, guidance and no
# limit of the standard. For 1, 10, 60, 600 or 28800 s; for others, and other surfaces, say `above`.
[[limit]]
name      = "hot-to-touch"
kind      = "touch"
severity  = "warning"
channel   = "temperature_housing_degC"
contact_s = 1.0
drop_off  = 62.0
"""

    @model_validator(mode="after")
    def _fits(self) -> "TouchTemperature":
        if self.channel != _SURFACE:
            why = _INNER.get(self.channel, "which is no temperature")
            raise SettingError(
                "channel",
                f"found {self.channel!r}, {why}; expected {_SURFACE!r}, of a joint "
                "or of a [[sensor]]: a burn threshold is one of a surface.",
            )
        if self.above is None and self.contact_s not in THRESHOLDS_DEGC:
            known = ", ".join(f"{one:g}" for one in THRESHOLDS_DEGC)
            raise SettingError(
                "contact_s",
                found=f"{self.contact_s:g}",
                expected=f"one of {known}; for any other, say the threshold with above",
            )
        if self.drop_off is not None and self.drop_off > self.threshold:
            raise SettingError(
                "drop_off",
                found=f"{self.drop_off:g}",
                expected=f"at most {self.threshold:g}, the threshold of this limit",
            )
        return self

    @property
    def threshold(self) -> float:
        """The burn threshold in degC."""
        return self.above if self.above is not None else THRESHOLDS_DEGC[self.contact_s]

    @property
    def clears_at(self) -> float:
        """The temperature at or below which it counts as gone."""
        return self.threshold if self.drop_off is None else self.drop_off

    @cached_property
    def compared(self) -> tuple[float, float]:
        """The temperatures at which it is on and off (`thresholds`)."""
        return level_pair(self.threshold, self.clears_at, self.grids_of(self.channel))

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """See `LimitKind`."""
        return (("channel", self.channel),)

    @property
    def reported_channel(self) -> str:
        """See `LimitKind`."""
        return self.channel

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """See `JointLimit`."""
        return {self.channel: "extremes"}

    def compute_scores(self, memory: LimitMemory | None, series: Series) -> tuple[Scores, None]:
        """See `ScoredLimit`."""
        return measure_touch(self, series), None

    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """See `TimedLimit`."""
        what = channel_named(self.channel).label
        level = format_channel_value(self.channel, self.threshold, displays=displays)
        clear = format_channel_value(self.channel, self.clears_at, displays=displays)
        burn = f"the burn threshold of {level} for {format_span(self.contact_s)} of touch"
        below = clear_side("below", at_pick_up=self.clears_at == self.threshold)
        return Phrases(
            label=f"{what} at or above {burn}",
            subject=f"the {what} of {self.joint or 'any joint'}",
            reaches=f"reaches {burn} (guidance)",
            stays=f"stays at or above {burn} (guidance)",
            clears=f"{below} {clear}",
            back=f"{what} back {below} {clear}",
        )

    def levels(self, rated: RatedValues) -> tuple[LimitLevel, ...]:
        """See `JointLimit`."""
        line = LimitLevel(
            severity=self.severity,
            channel=self.channel,
            is_rising=True,
            pick_up=self.threshold,
            drop_off=None if self.drop_off == self.threshold else self.drop_off,
            prefix="touch ",
        )
        return (line,)

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        pick_up = DragHandle(key="above", position=self.threshold)
        return pick_up, *drop_off_handle("drop_off", self.drop_off)


def measure_touch(limit: TouchTemperature, series: Series) -> Scores:
    """Return the temperatures as they are."""
    at = series.channel_series(limit.channel)
    pick_up, drop_off = limit.compared
    return Scores(
        time_ns=at.time_ns,
        batch_rows=at.rows,
        score=at.values,
        reported=at.values,
        pick_up=pick_up,
        drop_off=drop_off,
        hold_ns=series.hold_ns[limit.channel],
    )
