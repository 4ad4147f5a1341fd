"""What the recorder watches about itself: frames that were lost, and a disk that fills up.

The same kind of change as a joint's limits give, with no joint. Takes the state in and gives it
back. What happens once (asking that had to stop, a stop frame without effect) is a change by
itself. Pure.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

from logger.limits.change import Change

__all__ = [
    "ASKING_STOPPED",
    "STANDING",
    "STOP_WITHOUT_EFFECT",
    "RecorderState",
    "once",
    "told",
    "watch",
]

FRAMES_LOST: Final = "frames-lost"
DISK_LOW: Final = "disk-low"
ASKING_STOPPED: Final = "asking-stopped"
STOP_WITHOUT_EFFECT: Final = "stop-without-effect"
STANDING: Final = frozenset({ASKING_STOPPED, STOP_WITHOUT_EFFECT})
"""Those that stand until they are acknowledged, or the recording ends."""
CALM_NS: Final = 60_000_000_000
"""Without a further loss for so long, the alert is over."""
LOW_H: Final = 1.0
ENOUGH_H: Final = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderState:
    """What is remembered from one second to the next."""

    lost: int = 0
    losing: bool = False
    lost_ns: int = 0
    """When the newest loss was seen."""
    since_ns: int = 0
    before: int = 0
    """Losses before the present alert."""
    disk_low: bool = False
    low_ns: int = 0
    least_h: float = 0.0


def watch(
    state: RecorderState, *, now_ns: int, lost: int, disk_left_h: float
) -> tuple[list[Change], RecorderState]:
    """Return what is to be said now, and the state after it.

    Parameters
    ----------
    lost
        Frames lost since the recording began.
    disk_left_h
        Hours that the disk lasts; NaN where that is not known, which changes nothing.
    """
    changes: list[Change] = []

    def say(
        limit: str, kind: Literal["raised", "returned"], *, value: float, peak: float, onset_ns: int
    ) -> None:
        changes.append(
            Change(
                time_ns=now_ns,
                limit=limit,
                joint="",
                severity="warning",
                channel="",
                kind=kind,
                value=value,
                onset_ns=onset_ns,
                peak=peak,
            )
        )

    losing, lost_ns, since_ns, before = state.losing, state.lost_ns, state.since_ns, state.before
    if lost > state.lost:
        lost_ns = now_ns
        if not losing:
            losing, since_ns, before = True, now_ns, state.lost
            newly = float(lost - before)
            say(FRAMES_LOST, "raised", value=newly, peak=newly, onset_ns=now_ns)
    elif losing and now_ns - lost_ns >= CALM_NS:
        losing = False
        say(FRAMES_LOST, "returned", value=0.0, peak=float(lost - before), onset_ns=since_ns)

    disk_low, low_ns, least_h = state.disk_low, state.low_ns, state.least_h
    if not disk_low and disk_left_h < LOW_H:
        disk_low, low_ns, least_h = True, now_ns, disk_left_h
        say(DISK_LOW, "raised", value=disk_left_h, peak=disk_left_h, onset_ns=now_ns)
    elif disk_low and disk_left_h > ENOUGH_H:
        disk_low = False
        say(DISK_LOW, "returned", value=disk_left_h, peak=least_h, onset_ns=low_ns)
    elif disk_low and disk_left_h < least_h:
        least_h = disk_left_h
    return changes, RecorderState(
        lost=lost,
        losing=losing,
        lost_ns=lost_ns,
        since_ns=since_ns,
        before=before,
        disk_low=disk_low,
        low_ns=low_ns,
        least_h=least_h,
    )


def once(limit: str, *, time_ns: int, joint: str = "") -> Change:
    """Return the raising of an alert of `STANDING`: a trip without a reading."""
    return Change(
        time_ns=time_ns,
        limit=limit,
        joint=joint,
        severity="trip",
        channel="",
        kind="raised",
        value=math.nan,
        onset_ns=time_ns,
        peak=math.nan,
    )


def told(change: Change) -> str:
    """Return a readable sentence for a change of `watch`."""
    if change.limit == FRAMES_LOST:
        count = f"{change.peak:.0f} frame{'' if change.peak == 1 else 's'}"
        if change.kind == "raised":
            return f"The recorder lost {count}: what a joint said meanwhile is missing."
        return f"No frame was lost for {CALM_NS / 1e9:.0f} s; {count} had been."
    if change.kind == "raised":
        return (
            f"The disk lasts for {change.value * 60:.0f} min at the present rate; then the "
            "recording ends. Free some room."
        )
    return f"The disk lasts for {change.value:.1f} h again."
