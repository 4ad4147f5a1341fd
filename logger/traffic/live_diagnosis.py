"""Hints while recording: a known fault that lasts for some seconds is reported once.

The faults are those of diagnosis.py, second by second. What only a longer time shows (a joint
that is silent, one that stopped, a gap) is left to limits. Pure: the state goes in and comes back.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from logger.traffic.bus_statistics import BusStatistics
from logger.traffic.diagnosis import diagnose

__all__ = ["LiveDiagnosis", "diagnose_second"]

CONFIRM_SECONDS: Final = 3
"""Seconds in a row with a fault until it is reported, and without it until it is over."""
_NOT_REPEATED: Final = frozenset({"silent", "stopped", "gaps", "not_asked"})


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveDiagnosis:
    """One bus: for how many seconds each fault has been present, or absent again."""

    seen_seconds: Mapping[str, int] = field(default_factory=dict)
    absent_seconds: Mapping[str, int] = field(default_factory=dict)
    """Reported faults -> seconds in a row without them."""


def diagnose_second(
    state: LiveDiagnosis, statistics: BusStatistics
) -> tuple[list[str], LiveDiagnosis]:
    """Return the hints to report after one more second, and the state after it."""
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
