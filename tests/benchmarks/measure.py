"""How a benchmark measures and what it guards: processor time, the median of five, one table.

A guard holds a ratio of two figures of the same run against a bound, two to three times away from
what DEVELOPERS.md lists: a busy machine slows both sides alike, a regression only one. No benchmark
holds an absolute time against anything. BENCH_SCALE makes the inputs of the long ones smaller.
"""

import os
import statistics
import time
from collections.abc import Callable
from typing import Final

__all__ = [
    "ROUNDS",
    "SCALE",
    "START_NS",
    "guard_at_least",
    "guard_at_most",
    "measure_cpu_s",
    "report",
    "table_lines",
]

START_NS: Final = 1_795_000_000_000_000_000
ROUNDS: Final = 5
SCALE: Final = float(os.environ.get("BENCH_SCALE", "1"))
"""Size of long inputs against their own; with less than 1 the guards may not hold."""
_LINES: Final[list[str]] = []


def table_lines() -> list[str]:
    """Return the lines of the table so far, in the order of the run."""
    return list(_LINES)


def report(what: str, figure: float, unit: str) -> None:
    """Add one line to the table; `pytest -s` also shows it at once."""
    line = f"{what:<84} {figure:>10.3g} {unit}".rstrip()
    _LINES.append(line)
    print(f"\n{line}")  # noqa: T201 - for whoever watches a long run


def guard_at_least(what: str, ratio: float, bound: float, unit: str = "x") -> None:
    """Add a ratio to the table; raise AssertionError where it is below its bound."""
    report(what, ratio, f"{unit} (at least {bound:g})")
    assert ratio >= bound, f"{what}: {ratio:.3g} {unit}, at least {bound:g} expected"


def guard_at_most(what: str, ratio: float, bound: float, unit: str = "x") -> None:
    """Add a ratio to the table; raise AssertionError where it is above its bound."""
    report(what, ratio, f"{unit} (at most {bound:g})")
    assert ratio <= bound, f"{what}: {ratio:.3g} {unit}, at most {bound:g} expected"


def measure_cpu_s(run: Callable[[], object]) -> float:
    """Return the processor time that `run` takes, in seconds: the median of five, once warm."""

    def take_time() -> float:
        before = time.process_time()
        run()
        return time.process_time() - before

    take_time()
    return statistics.median(take_time() for _ in range(ROUNDS))
