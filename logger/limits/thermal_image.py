"""The thermal image of IEC 60255-149: how warm its current has made a conductor. Pure.

tau * dH/dt + H = F_a * (I / (k * I_B))^2, exactly over each held value; H = 1 (100 %) is where it
would operate. A value counts until the next, at most for its hold; over the rest of a gap the image
is kept: whether the joint rested is unknown.

Within a block of some time constants the exponentials are sums that begin at the block's first
reading, wherever batches are cut: so any chunking gives the same bits.
"""

from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from logger.limits.curves import ambient_factor
from logger.limits.scores import LimitMemory
from logger.limits.series import Series

__all__ = ["IMAGE_AMBIENT", "MOST_TIMES", "ThermalMemory", "held_ambient", "image_levels"]

_BLOCK: Final = 16.0
"""Time constants after which sums start again; exp(16) leaves all digits that matter."""
_LONGEST: Final = 50.0
"""Time constants of one held value; more makes no difference."""
MOST_TIMES: Final = 1e3
"""Multiple of I_B; a larger one is no real current, and its square could overflow."""
IMAGE_AMBIENT: Final = "temperature_ambient_degC"


class _ImageSettings(Protocol):
    """What an image is computed with: keys of the limit."""

    @property
    def heating_s(self) -> float: ...
    @property
    def cooling_s(self) -> float | None: ...
    @property
    def rest_below(self) -> float: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalMemory(LimitMemory):
    """The thermal image after the newest reading."""

    last_ns: int | None = None
    rested_ns: int | None = None
    """End of the time without a recorder up to which it has cooled, before a new reading."""
    heating: float = 0.0
    """F_a * (I / (k * I_B))^2 of the newest reading."""
    resting: bool = True
    """Whether the newest reading is one of rest."""
    ambient_degC: float | None = None  # noqa: N815 - the unit's own spelling
    """The newest ambient in degC; None: not received yet, and 40 is used."""
    block_level: float = 0.0
    """The image where the present block began."""
    block_span: float = 0.0
    """Time constants since then."""
    block_sum: float = 0.0

    @property
    def level(self) -> float:
        """The image at the newest reading, 1 for 100 %."""
        return float((self.block_level + self.block_sum) / np.exp(self.block_span))

    def cooled(self, limit: _ImageSettings, until_ns: int) -> "ThermalMemory":
        """Return the image after time without a recorder, which counts as rest."""
        since_ns = self.rested_ns if self.last_ns is None else self.last_ns
        if since_ns is None or until_ns <= since_ns:
            return self
        span_s = (until_ns - since_ns) * 1e-9
        left = self.level * float(np.exp(-span_s / (limit.cooling_s or limit.heating_s)))
        return ThermalMemory(rested_ns=until_ns, block_level=left, ambient_degC=self.ambient_degC)


def image_levels(
    limit: _ImageSettings,
    memory: ThermalMemory,
    time_ns: NDArray[np.int64],
    size: NDArray[np.float64],
    heating: NDArray[np.float64],
    *,
    hold_ns: int,
) -> tuple[NDArray[np.float64], ThermalMemory]:
    """Return the image at each of n readings, shape (n,), and the memory after them.

    A held value H moves the image towards H: image_i = image_(i-1) * exp(-s_i) + H_(i-1) * (1 -
    exp(-s_i)), with s_i the span in time constants. Multiplied by exp(S_i), S_i = s_1 + ... + s_i,
    that is a running sum,

        image_i = (image_0 + sum over j <= i of exp(S_(j-1)) * (exp(s_j) - 1) * H_(j-1)) / exp(S_i)

    exp(S) grows, so the sum starts again every `_BLOCK` time constants from the image there. Where
    a block ends is decided by the trace alone: any chunking gives the same bits.
    """
    n = len(size)
    first_ns = time_ns[0] if memory.last_ns is None else memory.last_ns
    span = np.minimum(np.diff(time_ns, prepend=first_ns), hold_ns) * (1e-9 / limit.heating_s)
    if limit.cooling_s is not None:
        rest = size < limit.rest_below
        rest_before = np.concatenate(([memory.resting], rest[:-1]))
        span[rest_before] *= limit.heating_s / limit.cooling_s
        resting = bool(rest[-1])
    else:
        resting = False
    np.minimum(span, _LONGEST, out=span)
    # (exp(s) - 1) * H; expm1 keeps the digits of a short span.
    part = np.expm1(span) * np.concatenate(([memory.heating], heating[:-1]))
    level = np.empty(n)
    at, sum_, start = memory.block_span, memory.block_sum, memory.block_level
    begin, ahead = 0, 4096
    while begin < n:
        end = min(begin + ahead, n)
        spans = np.cumsum(np.concatenate(([at], span[begin:end])))
        full = int(np.searchsorted(spans[1:], _BLOCK)) + 1
        done = min(full, end - begin)
        grown = np.exp(spans[: done + 1])
        sums = np.cumsum(np.concatenate(([sum_], grown[:-1] * part[begin : begin + done])))
        level[begin : begin + done] = (start + sums[1:]) / grown[1:]
        if full <= end - begin:
            # A new block. `ahead` follows the length of blocks, so that little is computed twice.
            start, at, sum_ = float(level[begin + done - 1]), 0.0, 0.0
            ahead = max(64, 2 * done)
        else:
            at, sum_ = float(spans[-1]), float(sums[-1])
            ahead = min(2 * ahead, 65_536)
        begin += done
    return level, replace(
        memory,
        last_ns=int(time_ns[-1]),
        rested_ns=None,
        heating=float(heating[-1]),
        resting=resting,
        block_level=start,
        block_span=at,
        block_sum=sum_,
    )


def held_ambient(
    most: float, before: float | None, rows: NDArray[np.intp] | None, series: Series
) -> tuple[NDArray[np.float64], float | None]:
    """Return the ambient factor at each reading of the current, and the newest ambient."""
    ambient = series.channel_series(IMAGE_AMBIENT)
    count = len(series.batch) if rows is None else len(rows)
    ambients = np.concatenate(([40.0 if before is None else before], ambient.values))
    if len(ambient.values) == 0:
        held = np.full(count, ambients[0])
    else:
        ambient_rows = np.arange(len(series.batch)) if ambient.rows is None else ambient.rows
        current_rows = np.arange(len(series.batch)) if rows is None else rows
        held = ambients[np.searchsorted(ambient_rows, current_rows, "right")]
    # An ambient at the highest winding temperature makes the factor infinite; 1 K less is finite.
    factor = ambient_factor(np.minimum(held, most - 1.0), most_degC=most)
    return factor, before if len(ambient.values) == 0 else float(ambient.values[-1])
