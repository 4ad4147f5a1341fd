"""Every kind of limit, one file each, and their list `LIMIT_KINDS`.

    level         a channel beyond a level, or beyond a share of its rated value
    band          a channel outside of two levels
    inverse_time  the higher a current, the shorter it may last
    thermal       how warm a current has made its conductor
    rate          a channel that rises too fast
    forecast      a temperature that is likely to reach a level soon
    cooling       cooling that has become worse
    tracking      a channel far from its set-point
    oscillation   a channel that swings within a band of frequencies
    stuck         a (frozen) reading that does not move although there is load
    touch         a surface too hot to touch
    silence       a joint that reports nothing
    bus           on the recorder itself: its buses, and losses
    disk          on the recorder itself: its disk

A new kind is a file here, its import and entry in `LIMIT_KINDS`, and a test. The order of the list
is that of the limits file that ships, of the forms on the Limits page and of the names in an error.
"""

from collections.abc import Mapping
from importlib import resources
from typing import Any, Final

from logger.limits.kind import LimitKind
from logger.limits.kinds.band import Band
from logger.limits.kinds.bus import FRAMES_LOST, BusLimit
from logger.limits.kinds.cooling import Cooling
from logger.limits.kinds.disk import DISK_LOW, DiskLimit
from logger.limits.kinds.forecast import Forecast
from logger.limits.kinds.inverse_time import InverseTime
from logger.limits.kinds.level import Level, RatedLevel
from logger.limits.kinds.oscillation import Oscillation
from logger.limits.kinds.rate import Rate
from logger.limits.kinds.silence import Silence
from logger.limits.kinds.stuck import Stuck
from logger.limits.kinds.thermal import Thermal
from logger.limits.kinds.touch import TouchTemperature
from logger.limits.kinds.tracking import Tracking
from logger.limits.recorder_limit import RecorderLimit

__all__ = [
    "DEFAULT_RECORDER_LIMITS",
    "KIND_NAMES",
    "LIMIT_KINDS",
    "example_text",
    "limit_model",
    "recorder_limits",
]

LIMIT_KINDS: Final[tuple[type[LimitKind], ...]] = (
    Level,
    RatedLevel,
    Band,
    InverseTime,
    Thermal,
    Rate,
    Forecast,
    Cooling,
    Tracking,
    Oscillation,
    Stuck,
    TouchTemperature,
    Silence,
    BusLimit,
    DiskLimit,
)

DEFAULT_RECORDER_LIMITS: Final[tuple[RecorderLimit, ...]] = (FRAMES_LOST, DISK_LOW)
"""The limits that apply without a limits file."""

KIND_NAMES: Final = tuple(dict.fromkeys(one.kind_name() for one in LIMIT_KINDS))
"""What a limits file may have for `kind`."""


def limit_model(table: Mapping[str, Any]) -> type[LimitKind] | None:
    """Return the model that a `[[limit]]` table is checked by; None where its kind is unknown.

    Of several models of one kind it is the one whose own keys are present, else the one that has
    none of its own.
    """
    models = [one for one in LIMIT_KINDS if one.kind_name() == table.get("kind")]
    matching = [one for one in models if one.written_with & set(table)]
    # Of keys that do not go together the later model refuses the other's by name.
    return next(iter([*reversed(matching), *(one for one in models if not one.written_with)]), None)


def recorder_limits(limits: tuple[LimitKind, ...]) -> tuple[RecorderLimit, ...]:
    """Return those of some limits that are on the recorder, and those that always apply."""
    mine = tuple(limit for limit in limits if isinstance(limit, RecorderLimit))
    watched = {limit.is_watched_key for limit in mine}
    return (
        *(limit for limit in DEFAULT_RECORDER_LIMITS if limit.is_watched_key not in watched),
        *mine,
    )


def example_text() -> str:
    """Return the commented limits file that ships, with every kind in it."""
    head = (resources.files("logger.limits") / "example_head.toml").read_text(encoding="utf-8")
    return "\n".join([head, *(kind.example for kind in LIMIT_KINDS)])
