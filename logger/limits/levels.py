"""Levels of a limit as pictures need them: lines on a channel, and handles that drag a key.

Plain data that a kind gives out, so that no picture has to know the kinds. Pure.
"""

from dataclasses import dataclass

from logger.limits.limit_change import Severity

__all__ = ["DragHandle", "LimitLevel", "drop_off_handle"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLevel:
    """One level of a limit on one joint, in the channel's stored unit."""

    severity: Severity
    channel: str
    is_rising: bool
    """True: raised above the level; False: below."""
    pick_up: float
    drop_off: float | None
    """None: at the pick-up itself."""
    prefix: str = ""
    """Precedes the severity in the label of the line: "touch "."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DragHandle:
    """One level that can be dragged in a picture of what a limit measures."""

    key: str
    """Of the limit, as its file has it."""
    position: float
    """In the unit of the measure."""
    scale: float = 1.0
    """The measure's value for 1 of the key."""
    number_index: int | None = None
    """Which of the key's two numbers; None where it is one number."""
    mirrored: bool = False
    """Drawn at plus and at minus the level."""
    drop_off: bool = False
    is_rising: bool = True
    """Whether the limit is raised above it; else below."""


def drop_off_handle(
    key: str, value: float | None, *, scale: float = 1.0, mirrored: bool = False
) -> tuple[DragHandle, ...]:
    """Return the handle of a drop-off; none where the file leaves it to its default."""
    if value is None:
        return ()
    return (
        DragHandle(key=key, position=value * scale, scale=scale, mirrored=mirrored, drop_off=True),
    )
