"""Readings as seconds: the mean square of a load, the mean of a temperature, in each second.

A value holds until the channel's next one, at most for its hold; what is not held has no weight. A
second is told once it is over: when a row of its joint lies behind it, or the caller says that none
will lie within it. Sums are of whole numbers (squares and temperatures in fine binary steps), so
they are the same to the bit in any chunking. Pure.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints

__all__ = ["ChannelValues", "HeatSecond", "SecondsMemory", "add_heat_readings"]

SECOND_NS: Final = 1_000_000_000
_SQUARE_STEP: Final = 2.0**-24
_KELVIN_STEP: Final = 2.0**-20
ChannelValues = Mapping[str, tuple[Ints, Floats]]
"""Channel -> times in ns and values, in order of time and without NaN."""


@dataclass(frozen=True, slots=True)
class HeatSecond:
    """What is known of one second; a channel that was not held or read in it is missing."""

    second: int
    held_s: Mapping[str, float]
    """Load channel -> for how long it was held."""
    mean_square: Mapping[str, float]
    mean_magnitude: Mapping[str, float]
    mean: Mapping[str, float]
    """Temperature channel -> mean of its readings."""
    highest: Mapping[str, float]
    fine: frozenset[str]
    """Temperature channels that showed other than whole degrees."""


@dataclass(frozen=True, slots=True)
class _Held:
    """The newest value of a load channel: counted from `begin_ns` on, held to `end_ns` at most."""

    begin_ns: int
    end_ns: int
    value: float


@dataclass(frozen=True, slots=True)
class SecondsMemory:
    """What is kept of readings whose second is not over."""

    over_until: int | None = None
    """The second up to which all were told."""
    held: Mapping[str, _Held] = field(default_factory=dict)
    sums: Mapping[str, Mapping[int, tuple[float, ...]]] = field(default_factory=dict)
    """Channel -> second -> its sums: ns, square, magnitude; or count, sum, highest, not whole."""


def add_heat_readings(
    memory: SecondsMemory,
    readings: ChannelValues,
    *,
    loads: tuple[str, ...],
    hold_ns: Mapping[str, int],
    until_ns: int,
) -> tuple[list[HeatSecond], SecondsMemory]:
    """Return the seconds that are over, those of which nothing is known left out.

    Parameters
    ----------
    readings
        The next values of each channel.
    loads
        The channels that hold, whose squares are told; of all others their readings are.
    until_ns
        No later reading is older than this.
    """
    over = until_ns // SECOND_NS
    held, sums = dict(memory.held), {key: dict(of) for key, of in memory.sums.items()}
    for channel in loads:
        time_ns, values = readings.get(channel, (np.empty(0, np.int64), np.empty(0)))
        if len(time_ns) or channel in held:
            held[channel] = _add_held(
                sums.setdefault(channel, {}),
                held.get(channel),
                (time_ns, values),
                hold_ns=hold_ns[channel],
                over=over,
            )
    for channel, (time_ns, values) in readings.items():
        if channel not in loads and len(time_ns):
            _add_read(sums.setdefault(channel, {}), time_ns, values)
    done = sorted({second for of in sums.values() for second in of if second < over})
    seconds = [_second_of(second, sums, loads) for second in done]
    left = {
        channel: {second: of[second] for second in of if second >= over}
        for channel, of in sums.items()
    }
    return seconds, SecondsMemory(over_until=over, held=held, sums=left)


def _add_held(
    sums: dict[int, tuple[float, ...]],
    before: _Held | None,
    readings: tuple[Ints, Floats],
    *,
    hold_ns: int,
    over: int,
) -> _Held:
    """Add what a load channel held, in pieces that each lie within one second."""
    begin, values = readings
    end = begin + hold_ns
    if before is not None:
        begin = np.concatenate([[before.begin_ns], begin])
        end = np.concatenate([[before.end_ns], end])
        values = np.concatenate([[before.value], values])
    last_end = int(end[-1])
    end = np.minimum(end, np.append(begin[1:], over * SECOND_NS))
    counts = end > begin
    first, last = begin[counts] // SECOND_NS, (end[counts] - 1) // SECOND_NS
    pieces = last - first + 1
    at = np.repeat(np.flatnonzero(counts), pieces)
    within = np.arange(len(at)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    second = np.repeat(first, pieces) + within
    piece_ns = np.minimum(end[at], (second + 1) * SECOND_NS) - np.maximum(
        begin[at], second * SECOND_NS
    )
    size = np.abs(values[at])
    share = piece_ns * (1e-9 / _SQUARE_STEP)
    columns = (piece_ns, np.rint(size * size * share), np.rint(size * share))
    begins = np.flatnonzero(np.diff(second, prepend=-1))
    if len(second):
        added = np.stack([np.add.reduceat(np.asarray(one, np.float64), begins) for one in columns])
        for key, row in zip(second[begins].tolist(), added.T.tolist(), strict=True):
            old = sums.get(key, (0.0, 0.0, 0.0))
            sums[key] = (old[0] + row[0], old[1] + row[1], old[2] + row[2])
    return _Held(max(int(begin[-1]), over * SECOND_NS), last_end, float(values[-1]))


def _add_read(sums: dict[int, tuple[float, ...]], time_ns: Ints, values: Floats) -> None:
    """Add the readings of a temperature."""
    second = time_ns // SECOND_NS
    begins = np.flatnonzero(np.diff(second, prepend=-1))
    count = np.diff(np.append(begins, len(second)))
    total = np.add.reduceat(np.rint(values / _KELVIN_STEP), begins)
    highest = np.maximum.reduceat(values, begins)
    fine = np.maximum.reduceat((values != np.rint(values)).astype(np.float64), begins)
    columns = (one.tolist() for one in (second[begins], count, total, highest, fine))
    for key, n, whole, most, is_fine in zip(*columns, strict=True):
        old = sums.get(key, (0.0, 0.0, -math.inf, 0.0))
        sums[key] = (old[0] + n, old[1] + whole, max(old[2], most), max(old[3], is_fine))


def _second_of(
    second: int, sums: Mapping[str, Mapping[int, tuple[float, ...]]], loads: tuple[str, ...]
) -> HeatSecond:
    held_s, square, magnitude, mean, highest = {}, {}, {}, {}, {}
    fine = set()
    for channel, of in sums.items():
        parts = of.get(second)
        if parts is None:
            continue
        if channel in loads:
            held_s[channel] = parts[0] * 1e-9
            weight = _SQUARE_STEP / held_s[channel]
            square[channel], magnitude[channel] = parts[1] * weight, parts[2] * weight
        else:
            mean[channel] = parts[1] * _KELVIN_STEP / parts[0]
            highest[channel] = parts[2]
            if parts[3]:
                fine.add(channel)
    return HeatSecond(second, held_s, square, magnitude, mean, highest, frozenset(fine))
