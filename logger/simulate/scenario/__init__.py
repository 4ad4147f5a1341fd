"""The demo's bench and limits, as files that a user may copy and change.

    bench.toml    the arm on its bench; "@CHANNEL@" in place of the serial line
    limits.toml   when to raise alerts

`scenario_bench_text` and `scenario_limits_text` return the files, `scenario_bench` the parsed
bench. Reads only the package's own data.
"""

import re
from importlib import resources
from typing import Final

from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.bench.layout import shipped_layout_text

__all__ = [
    "CHANNEL_MARK",
    "SCENARIO_LAYOUT",
    "scenario_bench",
    "scenario_bench_text",
    "scenario_layout_text",
    "scenario_limits_text",
]

CHANNEL_MARK: Final = "@CHANNEL@"
SCENARIO_LAYOUT: Final = "harvest-joint"
FULL_RATE_HZ: Final = 100.0
SLOWEST_PERIOD_S: Final = 1.0
"""Health is reported at least this often, however seldom motion is."""


def scenario_bench_text(channel: str = "") -> str:
    """Return the bench file with the serial line's name in its place."""
    return _scenario_file("bench.toml").replace(CHANNEL_MARK, channel)


def scenario_limits_text() -> str:
    """Return the limits file."""
    return _scenario_file("limits.toml")


def scenario_layout_text(rate_Hz: float = FULL_RATE_HZ) -> str:  # noqa: N803 - the Hz is a unit's
    """Return the joints' layout, its periods those of motion frames at `rate_Hz`.

    The layout ships for 100 Hz. A test made at another rate carries the layout with other periods,
    so that its values hold as long as they should.
    """
    text = shipped_layout_text(SCENARIO_LAYOUT) or ""
    slower = FULL_RATE_HZ / rate_Hz
    if slower == 1.0:
        return text

    def scaled(match: re.Match[str]) -> str:
        seconds = float(match["seconds"]) * slower
        if match["key"] == "period_s":
            seconds = min(seconds, max(SLOWEST_PERIOD_S, 1.0 / rate_Hz))
        else:
            seconds = max(seconds, float(match["seconds"]))
        return f"{match['key']}{match['between']}{seconds:.6g}"

    return re.sub(
        r"(?m)^(?P<key>period_s|hold_s)(?P<between>\s*=\s*)(?P<seconds>[0-9.]+)", scaled, text
    )


def scenario_bench(*, channel: str = "", rate_Hz: float = FULL_RATE_HZ) -> Bench:  # noqa: N803
    """Return the bench as a recording of it carries it."""
    return bench_from_texts(
        scenario_bench_text(channel),
        {SCENARIO_LAYOUT: scenario_layout_text(rate_Hz)},
        where="bench.toml (simulated)",
    )


def _scenario_file(name: str) -> str:
    return (resources.files(__name__) / name).read_text("utf-8")
