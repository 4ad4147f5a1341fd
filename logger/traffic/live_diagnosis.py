"""Hints while recording: a known picture that stands for some seconds is told once.

The pictures are those of `hints`, seen second by second. What only a longer look can tell (a joint
that is silent, one that stopped) is left to limits. Pure: the state goes in and comes back.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from logger.traffic.bus_statistics import Figures
from logger.traffic.diagnosis import pictures

__all__ = ["LiveHints", "look"]

AFTER: Final = 3
"""Seconds in a row in which a picture is seen before it is told, and not seen before it is over."""
_LEFT: Final = frozenset({"silent", "stopped", "not_asked"})


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveHints:
    """One bus: how long each picture has been seen, or has no longer been seen."""

    seen: Mapping[str, int] = field(default_factory=dict)
    gone: Mapping[str, int] = field(default_factory=dict)
    """Pictures that were told, and for how many looks they have not been seen."""


def look(state: LiveHints, figures: Figures) -> tuple[list[str], LiveHints]:
    """Return the sentences that are to be told after one more second, and the state after it."""
    now = {name: text for name, text in pictures(figures).items() if name not in _LEFT}
    gone = {
        name: 0 if name in now else count + 1
        for name, count in state.gone.items()
        if name in now or count + 1 < AFTER
    }
    seen = {name: state.seen.get(name, 0) + 1 for name in now if name not in gone}
    told = [name for name, count in seen.items() if count >= AFTER]
    return [now[name] for name in told], LiveHints(
        seen={name: count for name, count in seen.items() if name not in told},
        gone={**gone, **dict.fromkeys(told, 0)},
    )
