"""Moments of a current, from which the thermal images of many limits follow at once.

The image H of a limit follows tau * dH/dt + H = s * I^2, with s = 1 / (k * I_B)^2 (IEC 60255-149;
logger/limits/thermal_image.py). Over a block of readings that ends at time T this is

    H(T) = H(before) * exp(-h / tau)  +  s / tau * integral of I^2 * exp(-u / tau) dt

with h the held time of the block and u = T - t the time that is left to its end. With the
exponential as its power series the integral becomes

    sum over j = 0, 1, ...  of  (-1 / tau)^j * M_j,      M_j = integral of I^2 * u^j / j! dt

The moments M_j depend on the current alone. So rows are read once, for blocks of a second, and
every limit on that channel gets its image at the end of each second from the same eight moments.
"""

from dataclasses import dataclass
from typing import Final, TypeGuard

import numpy as np

from logger.arrays import Floats, Ints, to_s
from logger.limits.kinds.thermal import Thermal
from logger.store.pyramid.seconds import BASE_NS
from logger.time_chunks import time_chunks
from replay.evaluation.alert_arrays import RecordedSpan
from replay.recording import Recording

__all__ = [
    "BlockMoments",
    "UndecidedError",
    "block_levels",
    "block_moments",
    "heating_scale",
    "supports_moments",
]

_SERIES_TERMS: Final = 8
"""Moments that are kept, M_0 to M_7."""
_MAX_HELD_SHARE: Final = 0.1
"""The held time of a block over tau, at most; with more the limit is undecided.

The series alternates and its terms fall, so that leaving out those from the eighth on changes
exp(-x) by less than x^8 / 8!: 2.5e-13 at x = 0.1, an eightieth of the margin of `thermal_alerts`.
"""
_MAX_CURRENT_MULTIPLE: Final = 900.0
"""Largest |I| / I_B; with more the limit is undecided.

The live code cuts currents off at 1,000 times I_B, which the moments do not. What is below 900 is
not cut, however the division rounds.
"""
_MOMENTS_CHUNK_NS: Final = 120 * BASE_NS
"""Rows that are in memory at a time: 120,000 at 1 kHz. Whole seconds, so that no block is cut."""
_MAX_EXPONENT: Final = 16.0
"""Time constants after which the sums of `block_levels` begin again, as those of the live code do.

exp(g) inherits the absolute error of the sum g as a relative one, and overflows at g = 709. Up to
exp(16) = 9e6 neither matters.
"""
_MAX_BLOCKS_AT_ONCE: Final = 65_536
"""Blocks whose exponents are summed before it is looked where they reach `_MAX_EXPONENT`.

18 h of seconds: of a long tau nearly all of a day at once, of a short one not the whole recording
again for every 16 tau.
"""


class UndecidedError(Exception):
    """The moments do not decide a limit."""


def supports_moments(limit: object) -> TypeGuard[Thermal]:
    """Return whether the image of a limit follows the equation above with one constant tau.

    Another time constant at rest, or an ambient temperature, would make the moments depend on it.
    """
    return isinstance(limit, Thermal) and limit.cooling_s is None and limit.most_degC is None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockMoments:
    """m blocks of readings in order of time: the readings of one second each, at least one.

    A block covers the time from the last reading of the previous block to its own last reading. All
    arrays but `sums` have shape (m,).
    """

    first_ns: Ints
    """Time of the first reading."""
    last_ns: Ints
    """Time of the last reading: where the block's image is known."""
    held_s: Floats
    """Time over which the image moves (h): of a gap no more than the hold of the channel."""
    last: Floats
    """Value of the last reading, in the channel's unit."""
    largest: Floats
    """Largest magnitude of a reading in the block."""
    sums: Floats
    """Shape (_SERIES_TERMS, m): the moments M_0, M_1, ..., in unit^2 * s^(j + 1)."""


def block_moments(
    recording: Recording, joint: str, channel: str, span: RecordedSpan, *, hold_ns: int
) -> BlockMoments:
    """Return the moments of a channel over a recorded span."""
    chunks: list[BlockMoments] = []
    last_reading: tuple[int, float] | None = None
    for chunk_start_ns, chunk_end_ns in time_chunks(
        span.start_ns, span.end_ns, _MOMENTS_CHUNK_NS, on_grid=True
    ):
        batch = recording.read_readings(joint, chunk_start_ns, chunk_end_ns, channels=[channel])
        time_ns, value = batch.channel_series(channel)
        if len(value):
            chunks.append(
                _moments_of_chunk(time_ns, value, last_reading or (int(time_ns[0]), 0.0), hold_ns)
            )
            last_reading = (int(time_ns[-1]), float(value[-1]))
    return BlockMoments(
        first_ns=np.concatenate([chunk.first_ns for chunk in chunks] or [np.empty(0, np.int64)]),
        last_ns=np.concatenate([chunk.last_ns for chunk in chunks] or [np.empty(0, np.int64)]),
        held_s=np.concatenate([chunk.held_s for chunk in chunks] or [np.empty(0)]),
        last=np.concatenate([chunk.last for chunk in chunks] or [np.empty(0)]),
        largest=np.concatenate([chunk.largest for chunk in chunks] or [np.empty(0)]),
        sums=np.concatenate(
            [chunk.sums for chunk in chunks] or [np.empty((_SERIES_TERMS, 0))], axis=1
        ),
    )


def _moments_of_chunk(
    time_ns: Ints, value: Floats, last_reading: tuple[int, float], hold_ns: int
) -> BlockMoments:
    """Return the moments of the blocks of one chunk.

    Parameters
    ----------
    time_ns, value
        Shape (n,), n >= 1: the readings of whole seconds.
    last_reading
        Time and value of the reading before them; its value is held until the first of these.
    """
    second = time_ns // BASE_NS
    first_rows = np.flatnonzero(np.diff(second, prepend=second[0] - 1))
    last_rows = np.append(first_rows[1:], len(value)) - 1
    span = to_s(np.minimum(np.diff(time_ns, prepend=last_reading[0]), hold_ns))
    # A reading's value is held until the next one: over the span before a reading the previous
    # value counts.
    power = np.concatenate(([last_reading[1]], value[:-1])) ** 2
    held_s = np.add.reduceat(span, first_rows)
    # u at each reading. The difference of two sums over the chunk rounds in the last digits of
    # 120 s, and may come out below 0 at a block's last reading.
    run = np.cumsum(span)
    time_left = np.repeat(run[last_rows], last_rows - first_rows + 1) - run
    np.maximum(time_left, 0.0, out=time_left)
    # The integral of u^j / j! over one held value is (upper^(j+1) - time_left^(j+1)) / (j+1)!.
    upper = time_left + span
    high, low = upper.copy(), time_left.copy()
    sums = np.empty((_SERIES_TERMS, len(first_rows)))
    factorial = 1.0
    for term in range(_SERIES_TERMS):
        factorial *= term + 1
        sums[term] = np.add.reduceat(power * (high - low), first_rows) / factorial
        if term + 1 < _SERIES_TERMS:
            high *= upper
            low *= time_left
    return BlockMoments(
        first_ns=time_ns[first_rows],
        last_ns=time_ns[last_rows],
        held_s=held_s,
        last=value[last_rows],
        largest=np.maximum.reduceat(np.abs(value), first_rows),
        sums=sums,
    )


def block_levels(limit: Thermal, moments: BlockMoments, level: float) -> Floats:
    """Return the image at the last reading of each block, shape (m,).

    The recurrence H_i = H_(i-1) * exp(-x_i) + a_i, with x_i = h_i / tau and a_i what block i adds,
    is solved by sums: with g_i = x_1 + ... + x_i it is
    H_i = (H_0 + sum of a_l * exp(g_l) for l up to i) / exp(g_i). All terms are positive, so
    nothing cancels.

    Parameters
    ----------
    level
        H_0, the image before the first block.

    Raises
    ------
    UndecidedError
        A block is too long for the series, or a current beyond what the live code takes.
    """
    tau = limit.heating_s
    span = moments.held_s / tau
    assert limit.basic is not None, "`in_channel_unit` has seen to it"
    if (
        float(span.max()) > _MAX_HELD_SHARE
        or float(moments.largest.max()) > _MAX_CURRENT_MULTIPLE * limit.basic
    ):
        raise UndecidedError
    factor = (-1.0 / tau) ** np.arange(_SERIES_TERMS) / tau
    added = heating_scale(limit) * (factor @ moments.sums)
    levels = np.empty(len(span))
    begin, n = 0, len(span)
    while begin < n:
        growth = np.cumsum(span[begin : begin + _MAX_BLOCKS_AT_ONCE])
        stop = max(int(np.searchsorted(growth, _MAX_EXPONENT)), 1)
        growth = np.exp(growth[:stop])
        levels[begin : begin + stop] = (
            level + np.cumsum(added[begin : begin + stop] * growth)
        ) / growth
        begin += stop
        level = float(levels[begin - 1])
    return levels


def heating_scale(limit: Thermal) -> float:
    """Return s of the module's equation, in 1 / unit^2."""
    assert limit.basic is not None, "`in_channel_unit` has seen to it"
    return 1.0 / (limit.k * limit.basic) ** 2
