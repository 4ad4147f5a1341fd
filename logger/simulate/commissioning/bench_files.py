"""The bench of the commissioning demo as files. Reads only the package's own data."""

from importlib import resources
from typing import Final

from logger.joint.bench.bench import Bench, bench_from_texts
from logger.simulate.scenario import CHANNEL_MARK

__all__ = ["BENCH_LAYOUT", "bench_text", "commissioning_bench", "layout_text", "limits_text"]

BENCH_LAYOUT: Final = "bench-joint"


def bench_text(channel: str = "") -> str:
    """Return the bench file with the serial line's name in its place."""
    return _file_text("bench.toml").replace(CHANNEL_MARK, channel)


def layout_text() -> str:
    """Return the layout of its joint."""
    return _file_text(f"{BENCH_LAYOUT}.toml")


def limits_text() -> str:
    """Return the limits file."""
    return _file_text("limits.toml")


def commissioning_bench(channel: str = "") -> Bench:
    """Return the bench as a recording of it carries it."""
    return bench_from_texts(
        bench_text(channel), {BENCH_LAYOUT: layout_text()}, where="bench.toml (simulated)"
    )


def _file_text(name: str) -> str:
    return (resources.files(__package__) / name).read_text("utf-8")
