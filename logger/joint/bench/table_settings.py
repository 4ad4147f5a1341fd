"""The tables of a bench file for readings that come from a table of values, not from a bus.

`[table]` says how the table is written, and stands in place of `[bus]`; a `[[joint]]` of such a
bench names a column for each of its channels, in place of a layout. Pure data.
"""

from typing import Annotated, Any, Final, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BeforeValidator, Field, field_validator

from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.value import ChannelName
from logger.settings_file import SettingError, Settings

__all__ = ["TABLE_LAYOUT", "TIME_UNITS_NS", "TableJoint", "TableSettings"]

TABLE_LAYOUT: Final = "table"
"""What stands as the layout of a joint that has columns in place of one."""
TIME_UNITS_NS: Final = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}
_LEFT_TO_THE_TABLE: Final = (
    "layout", "bus", "node", "slot", "gear_ratio", "reversed", "zero_rad", "per_mille",
    "turns_known_for_s", "turns_found_within_s", "stop", "value", "object", "mapping",
)  # fmt: skip
"""Keys of a joint that say how its frames are read: a table holds what is meant already."""

Hold = Annotated[float, Field(gt=0, le=86_400)]


def _as_columns(given: Any) -> Any:  # noqa: ANN401 - raw settings
    return (given,) if isinstance(given, str) else given


class TableSettings(Settings):
    """How a table of values is written."""

    time: Annotated[tuple[str, ...], BeforeValidator(_as_columns), Field(min_length=1)]
    """The column of times, or two: of dates and of times of day."""
    time_unit: Literal["s", "ms", "us", "ns"] = "s"
    """What a time that is a number counts."""
    time_format: str = ""
    """How a text of date and time is written, after strptime: "%m/%d/%Y %H:%M:%S"; digits behind
    the seconds are read whatever it says. "": ISO 8601, or day.month.year."""
    zone: str = "UTC"
    """IANA time zone of the texts that name none."""
    separator: str = Field(default="", max_length=1)
    """What stands between two cells of a CSV file; "": that of , ; tab and | which parts them."""
    decimal: Literal[".", ","] = "."
    """What stands before the decimals."""
    encoding: str = "utf-8"
    skip_lines: int = Field(default=0, ge=0, le=10_000)
    """Lines before the one that names the columns."""

    @field_validator("time")
    @classmethod
    def _are_two_at_most(cls, time: tuple[str, ...]) -> tuple[str, ...]:
        if len(time) > 2:
            raise SettingError(
                "", found=f"{len(time)} columns", expected="one, or one of dates and one of times"
            )
        return time

    @field_validator("zone")
    @classmethod
    def _is_a_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise SettingError(
                "", found=f"{zone!r}", expected="an IANA time zone such as Europe/Berlin, or UTC"
            ) from None
        return zone

    @field_validator("encoding")
    @classmethod
    def _is_an_encoding(cls, encoding: str) -> str:
        try:
            "".encode(encoding)
        except LookupError:
            raise SettingError(
                "", found=f"{encoding!r}", expected="an encoding such as utf-8, cp1252 or utf-16"
            ) from None
        return encoding


class TableJoint(JointSettings):
    """A joint whose readings come from a table: it has columns, and no frames."""

    layout: Literal["table"] = "table"
    column: dict[ChannelName, str] = Field(min_length=1)
    """Channel -> column of the table, or an expression of one."""
    hold_s: Hold | dict[ChannelName, Hold] | None = None
    """How long a value holds at most; left out, three periods of each column."""

    @property
    def foreign_keys(self) -> tuple[str, ...]:
        """Keys of it that only a joint with frames can have."""
        return tuple(key for key in _LEFT_TO_THE_TABLE if key in self.model_fields_set)

    def hold_of(self, channel: str, default_s: float) -> float:
        """Return how long a value of a channel holds, in seconds."""
        if isinstance(self.hold_s, dict):
            return self.hold_s.get(channel, default_s)
        return default_s if self.hold_s is None else self.hold_s
