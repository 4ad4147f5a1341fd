"""Hints while recording: a known picture that stands for some seconds is told once.

The pictures are those of `hints`, seen second by second. What only a longer look can tell (a joint
that is silent, one that stopped) is left to limits. Pure: the state goes in and comes back.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from logger.traffic.bus_statistics import BusStatistics
from logger.traffic.diagnosis import diagnose

__all__ = ["LiveDiagnosis", "diagnose_second"]

CONFIRM_SECONDS: Final = 3
"""Seconds in a row in which a picture is seen before it is told, and not seen before it is over."""
_NOT_REPEATED: Final = frozenset({"silent", "stopped", "not_asked"})


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveDiagnosis:
    """One bus: how long each picture has been seen, or has no longer been seen."""

    seen_seconds: Mapping[str, int] = field(default_factory=dict)
    absent_seconds: Mapping[str, int] = field(default_factory=dict)
    """Pictures that were told, and for how many looks they have not been seen."""


def diagnose_second(
    state: LiveDiagnosis, statistics: BusStatistics
) -> tuple[list[str], LiveDiagnosis]:
    """Return the sentences that are to be told after one more second, and the state after it."""
    current = {
        name: text for name, text in diagnose(statistics).items() if name not in _NOT_REPEATED
    }
    absent_seconds = {
        name: 0 if name in current else count + 1
        for name, count in state.absent_seconds.items()
        if name in current or count + 1 < CONFIRM_SECONDS
    }
    seen_seconds = {
        name: state.seen_seconds.get(name, 0) + 1 for name in current if name not in absent_seconds
    }
    sentences = [name for name, count in seen_seconds.items() if count >= CONFIRM_SECONDS]
    return [current[name] for name in sentences], LiveDiagnosis(
        seen_seconds={name: count for name, count in seen_seconds.items() if name not in sentences},
        absent_seconds={**absent_seconds, **dict.fromkeys(sentences, 0)},
    )
