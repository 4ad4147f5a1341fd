"""The demo's bench and limits, as files that a user may copy and change.

    bench.toml    the arm on its bench; "@CHANNEL@" stands where the serial line is named
    limits.toml   when to speak up

`bench_text` and `limits_text` are the files; `bench` is the file read and checked. Reads only
the package's own data.
"""

import re
from importlib import resources
from typing import Final

from logger.joint.bench.bench import Bench, bench_from
from logger.joint.bench.layout import shipped_text

__all__ = ["CHANNEL_MARK", "LAYOUT", "bench", "bench_text", "layout_text", "limits_text"]

CHANNEL_MARK: Final = "@CHANNEL@"
LAYOUT: Final = "harvest-joint"
FULL_RATE_HZ: Final = 100.0
SLOWEST_PERIOD_S: Final = 1.0
"""Health is reported at least this often, however seldom motion is."""


def bench_text(channel: str = "") -> str:
    """Return the bench file with the serial line's name in its place."""
    return _text("bench.toml").replace(CHANNEL_MARK, channel)


def limits_text() -> str:
    """Return the limits file."""
    return _text("limits.toml")


def layout_text(rate_Hz: float = FULL_RATE_HZ) -> str:  # noqa: N803 - the Hz is a unit's
    """Return the joints' layout, its periods those of motion frames at `rate_Hz`.

    The layout ships for 100 Hz. A test made at another rate carries the layout with other periods,
    so that its values hold as long as they should.
    """
    text = shipped_text(LAYOUT) or ""
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


def bench(*, channel: str = "", rate_Hz: float = FULL_RATE_HZ) -> Bench:  # noqa: N803
    """Return the bench as a recording of it carries it."""
    return bench_from(
        bench_text(channel), {LAYOUT: layout_text(rate_Hz)}, where="bench.toml (simulated)"
    )


def _text(name: str) -> str:
    return (resources.files(__name__) / name).read_text("utf-8")
