"""How a benchmark measures: processor time, the median of five, printed as one line of a table."""

import statistics
import time
from collections.abc import Callable
from typing import Final

__all__ = ["ROUNDS", "START_NS", "median", "say", "seconds"]

START_NS: Final = 1_795_000_000_000_000_000
ROUNDS: Final = 5


def say(what: str, ratio: float, unit: str) -> None:
    """Print one line of the table."""
    print(f"\n{what:<84} {ratio:>10.3g} {unit}")  # noqa: T201 - a benchmark prints its table


def median(run: Callable[[], float]) -> float:
    """Return the median of what `run` gives, once warm."""
    run()
    return statistics.median(run() for _ in range(ROUNDS))


def seconds(run: Callable[[], object]) -> float:
    """Return the processor time that `run` takes, in seconds."""

    def timed() -> float:
        before = time.process_time()
        run()
        return time.process_time() - before

    return median(timed)
