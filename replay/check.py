"""Whether a recording is complete, and what is missing."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logger.arrays import to_s
from logger.event_kind import ANCHOR_WORDS, EventKind
from logger.store.layout.events import Event
from logger.store.layout.frames_let_go import FramesLetGo
from logger.store.layout.lock import await_orphan
from logger.store.layout.manifest import CutShort, iso_utc
from logger.store.parts.identity import MisplacedPartError
from logger.store.reading.attachments import attachment_faults
from replay.bus_history import extend_bus_seconds
from replay.recording import Recording

__all__ = ["CheckResult", "Gap", "PositionLosses", "check_recording"]

_GAP_CAUSES: Final = {
    EventKind.BUS_LOST: "the bus was lost",
    EventKind.DROPPED: "frames were lost",
    EventKind.GARBLED: "lines of the adapter could not be read",
    EventKind.DAMAGED: "frames came damaged",
    EventKind.SKIPPED: "frames were lost on their way",
    EventKind.CONTINUED: "no recorder ran",
    EventKind.STANDSTILL: "the recorder stood still",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A span without a frame of one joint."""

    joint: str
    start_ns: int
    duration_s: float
    cause: str

    def to_json(self) -> dict[str, Any]:
        """Return it as in the answer of `dutytrace check --json`."""
        return {
            "joint": self.joint,
            "start": iso_utc(self.start_ns),
            "duration_s": self.duration_s,
            "cause": self.cause,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionLosses:
    """How often the turns of one joint's encoder were lost, and by what they were found again."""

    joint: str
    lost: int
    found: dict[str, int]
    """`PositionAnchor` -> how often."""

    def to_json(self) -> dict[str, Any]:
        """Return it as in the answer of `dutytrace check --json`."""
        return {"joint": self.joint, "lost": self.lost, "found": self.found}

    def describe(self) -> str:
        """Return it as a sentence without its end."""
        words = f"{self.joint}: position lost {_times(self.lost)}"
        if not self.found:
            return f"{words}, not found again"
        ways = ", ".join(
            f"{count} because {ANCHOR_WORDS.get(anchor, anchor)}"
            for anchor, count in self.found.items()
        )
        return f"{words}, found again {_times(sum(self.found.values()))} ({ways})"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """What a recording holds, and what is missing."""

    is_complete: bool
    """Whether nothing that was written is missing, no frame was lost or came damaged, and every
    line of an adapter could be read; gaps may be there."""
    live: bool
    rows: dict[str, int]
    frames: int
    dropped: int
    standstills: int
    """How often a bus was not read for a while."""
    longest_standstill_s: float
    """0.0: there was none."""
    unknown_losses: int
    """Standstills of which nobody knows how many frames they cost."""
    garbled: int
    """Lines or frames of the adapters that could not be read."""
    damaged: int
    """Frames whose checksum is wrong, where the layout has one."""
    skipped: int
    """Frames that are missing by the counters of frames, where the layout has them; those that the
    recorder itself lost are among them."""
    gaps: tuple[Gap, ...]
    cut_short: tuple[CutShort, ...]
    """What each recorder that ended without closing the recording may have lost; each named in
    `missing` as well."""
    misplaced: tuple[tuple[str, MisplacedPartError], ...]
    """Parts that belong to other rows, and are read nowhere; each named in `missing` as well."""
    positions: tuple[PositionLosses, ...]
    """Of the joints whose turns were lost."""
    missing: tuple[str, ...]
    frames_let_go: tuple[FramesLetGo, ...] = ()
    """Spans whose raw frames the plan's keep rule let go: nothing that is missing, but they cannot
    be decoded again."""

    def to_json(self) -> dict[str, Any]:
        """Return it as the answer of `dutytrace check --json`."""
        return {
            "whole": self.is_complete,
            "live": self.live,
            "joints": {joint: {"rows": rows} for joint, rows in self.rows.items()},
            "frames": self.frames,
            "dropped": self.dropped,
            "standstills": {
                "count": self.standstills,
                "longest_s": self.longest_standstill_s,
                "unknown_losses": self.unknown_losses,
            },
            "garbled": self.garbled,
            "damaged": self.damaged,
            "skipped": self.skipped,
            "gaps": [gap.to_json() for gap in self.gaps],
            "cut_short": [
                {"after": iso_utc(cut.newest_ns), "lost_at_most_s": cut.lost_s}
                for cut in self.cut_short
            ],
            "misplaced": [
                {
                    "part": path,
                    "expected": misplaced.expected.to_json(),
                    "found": None if misplaced.found is None else misplaced.found.to_json(),
                }
                for path, misplaced in self.misplaced
            ],
            "positions": [losses.to_json() for losses in self.positions],
            "missing": list(self.missing),
            "frames_let_go": [
                {"start": iso_utc(one.from_ns), "end": iso_utc(one.to_ns), "frames": one.frames}
                for one in self.frames_let_go
            ],
        }


def check_recording(recording: Recording) -> CheckResult:
    """Return what a recording holds and what is missing, from its files and its events.

    Refreshes it first.
    """
    is_live = _refresh_settled(recording)
    events = recording.read_events()
    gaps = []
    silent = "the joint was silent" if recording.bench.buses else "no value in the table"
    for joint in recording.joints:
        if joint in recording.bench.sensors:
            continue  # An instrument has its own pace, and may have been read for a while only.
        for start_ns, end_ns in recording.read_gaps(joint):
            causes = [
                _GAP_CAUSES[event.kind]
                for event in events
                if event.kind in _GAP_CAUSES and start_ns <= event.time_ns <= end_ns
            ]
            gaps.append(
                Gap(
                    joint=joint,
                    start_ns=start_ns,
                    duration_s=to_s(end_ns - start_ns),
                    cause=causes[0] if causes else silent,
                )
            )
    dropped, damaged, skipped = (
        sum(event.whole_value for event in events if event.kind == kind)
        for kind in (EventKind.DROPPED, EventKind.DAMAGED, EventKind.SKIPPED)
    )
    garbled = _count_garbled(recording, events)
    standstills = [event for event in events if event.kind == EventKind.STANDSTILL]
    unknown_losses = sum(math.isnan(event.value) for event in standstills)
    missing = (
        *recording.describe_missing(),
        *recording.describe_damage(),
        *attachment_faults(recording.path),
    )
    return CheckResult(
        is_complete=not missing and dropped == garbled == damaged == skipped == unknown_losses == 0,
        live=is_live,
        rows={joint: recording.reading_count(joint) for joint in recording.joints},
        frames=recording.row_count("frames"),
        dropped=dropped,
        standstills=len(standstills),
        longest_standstill_s=max((event.duration_s for event in standstills), default=0.0),
        unknown_losses=unknown_losses,
        garbled=garbled,
        damaged=damaged,
        skipped=skipped,
        gaps=tuple(sorted(gaps, key=lambda gap: gap.start_ns)),
        cut_short=recording.cut_short(),
        misplaced=recording.misplaced_parts(),
        positions=_position_losses(events),
        missing=missing,
        frames_let_go=recording.manifest.frames_let_go,
    )


def _refresh_settled(recording: Recording) -> bool:
    """Take in all that was written, up to the end if it has ended; return whether it is live."""
    if isinstance(recording.path, Path):
        await_orphan(recording.path)
    recording.refresh()
    if recording.live:
        return True
    # It may have ended since.
    recording.refresh()
    return False


def _count_garbled(recording: Recording, events: Sequence[Event]) -> int:
    """Return how many lines or frames could not be read.

    Each of both sources is a lower bound: events wait for up to a minute, which a crash cuts off;
    the rows of the buses lack the recorder's last second. Older recorders made no events of them.
    """
    by_events = sum(event.whole_value for event in events if event.kind == EventKind.GARBLED)
    return max(by_events, int(extend_bus_seconds(recording).garbled.sum()))


def _position_losses(events: Sequence[Event]) -> tuple[PositionLosses, ...]:
    lost = Counter(event.joint for event in events if event.kind == EventKind.POSITION_LOST)
    found = [event for event in events if event.kind == EventKind.POSITION_FOUND]
    return tuple(
        PositionLosses(
            joint=joint,
            lost=lost[joint],
            found=dict(Counter(event.anchor for event in found if event.joint == joint)),
        )
        for joint in sorted({*lost, *(event.joint for event in found)})
    )
