"""How often a live recorder flushes, syncs and seals, and how long its journals last."""

import math
from dataclasses import dataclass
from typing import Final

from logger.store.writing.part_maker import SealJournals

__all__ = ["DEFAULT_FLUSH_POLICY", "FlushPolicy", "longest_journal_s"]

PART_GROWTH: Final = 4
"""Ratio of the lengths of two successive parts: full length within a quarter of an hour."""
_ONE_BUS_FLUSH_S: Final = 0.05
_SEVERAL_BUSES_FLUSH_S: Final = 0.02
"""The rows of all buses come in one turn, after the last of them: they have waited already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlushPolicy:
    """How rows are flushed, synced and sealed."""

    flush_s: float | None = None  # None: by how many buses there are
    sync_s: float = 1.0
    first_part_s: float = 2.0
    """Length of the first part; each is `PART_GROWTH` times as long as the one before."""
    max_part_s: float = 600.0
    max_rows: int = 1_000_000
    """Rows of a journal, of all streams together, that end it before its time."""
    seal: SealJournals | None = None
    """Makes parts of journals; None: a process of its own."""

    def flush_s_for(self, buses: int) -> float:
        """Return the seconds between two flushes of a recorder of so many buses."""
        if self.flush_s is not None:
            return self.flush_s
        return _SEVERAL_BUSES_FLUSH_S if buses > 1 else _ONE_BUS_FLUSH_S

    def part_s_after(self, part_s: float) -> float:
        """Return the length of the part after one of that length."""
        return min(part_s * PART_GROWTH, self.max_part_s)


DEFAULT_FLUSH_POLICY: Final = FlushPolicy()


def longest_journal_s(number: int) -> float:
    """Return for how long the journal of that number lasts at most; a slow disk may add to it."""
    policy = DEFAULT_FLUSH_POLICY
    growth = math.pow(PART_GROWTH, min(number, 16))
    return min(policy.first_part_s * growth, policy.max_part_s)
