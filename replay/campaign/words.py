"""What is told of cycles in words."""

from collections.abc import Iterator

import numpy as np

from logger.campaign.cycle_plan import CycleKind
from replay.campaign.cycle_table import CycleTable

__all__ = ["cycle_sentence", "figure_rows", "kind_sentences"]

_KIND_WORDS = {
    CycleKind.PAUSED: "took at least half as long again as usual: a stop, a fault",
    CycleKind.SHORT: "took less than 0.6 of the usual time: broken off, or moved by hand",
    CycleKind.GAP: "were not recorded for more than a tenth",
}


def cycle_sentence(table: CycleTable) -> str:
    """Return how many cycles there are, of what length."""
    count = f"{table.joint}: {len(table):,} cycle{'' if len(table) == 1 else 's'}"
    times = table.whole("cycle_time_s")
    return f"{count}, usually {float(np.median(times)):.4g} s." if len(times) else f"{count}."


def kind_sentences(table: CycleTable) -> Iterator[str]:
    """Yield a sentence for each kind of cycle that did not run through."""
    for kind, count in table.counts.items():
        if count and kind in _KIND_WORDS:
            yield f"{count:,} of them {_KIND_WORDS[kind]}."


def figure_rows(table: CycleTable) -> list[tuple[str, str, str, str]]:
    """Return (figure, median, lowest, highest) of the whole cycles; only figures that are known."""
    rows = []
    for name in table.figures:
        values = table.whole(name)
        if len(values):
            taken = (float(np.median(values)), float(values.min()), float(values.max()))
            median, lowest, highest = (f"{one:.4g}" for one in taken)
            rows.append((name, median, lowest, highest))
    return rows
