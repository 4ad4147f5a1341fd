"""The highest RMS of a load over windows of every length, wherever they begin. Pure.

The squared load is integrated over the time that each value is held. Of windows that begin at whole
seconds the sums of whole seconds are enough. What another beginning could add is bounded by what
the seconds at both ends hold and by their peaks; where that bound is higher than the best so far,
the rows decide: between two changes of the load the sum is a straight line, so the highest one
begins or ends at a change. Windows beyond `MOST_REFINED_S` keep the bound instead, which is close
there, for a second is little of them.

A window counts if a load was held in `WINDOW_HELD_SHARE` of it, and its mean is over that time; one
that touches a gap begins at a whole second.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s
from replay.duty.held_steps import HeldSteps

__all__ = ["MOST_REFINED_S", "WINDOW_HELD_SHARE", "RmsWindows", "SecondLoads", "WindowRms"]

S: Final = 1_000_000_000
WINDOWS_S: Final = (
    *(1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 180, 240, 300),
    *(360, 480, 600, 750, 900, 1200, 1500, 1800, 2400, 3000, 3600, 4500, 5400, 7200, 9000, 10_800),
    *(14_400, 18_000, 21_600, 28_800),
)
MOST_REFINED_S: Final = 30
WINDOW_HELD_SHARE: Final = 0.8
_SECOND_CELLS: Final = 20
"""Of a second, in which the bound is looked at again before rows are."""
_WHOLE: Final = 1.0 - 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondLoads:
    """The load of n whole seconds that follow each other, each array of shape (n,)."""

    start_ns: int
    """Begin of the first, a whole second."""
    held_s: Floats
    """0 in a gap."""
    energy: Floats
    """Integral of the squared load over the time that it was held."""
    peak_square: Floats
    """Square of the largest magnitude."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowRms:
    """The highest RMS over windows of one length."""

    window_s: int
    rms: float
    at_most: float
    """No window has more; equal to `rms` where every beginning was tried."""
    start_ns: int
    """Where the window with `rms` begins."""


class RmsWindows:
    """The windows over one span, in two looks: at its seconds, then at rows where they decide."""

    def __init__(self, seconds: SecondLoads) -> None:
        self._start_ns = seconds.start_ns
        n = len(seconds.held_s)
        self.windows_s = [one for one in WINDOWS_S if one <= n]
        energy = _sums(seconds.energy)
        held = _sums(seconds.held_s)
        self._best: list[tuple[float, int]] = []
        self._bound: list[float] = []
        self._open: dict[int, NDArray[np.bool_]] = {}
        for window in self.windows_s:
            lasts = held[window:] - held[:-window]
            sums = energy[window:] - energy[:-window]
            mean = np.full(len(sums), -1.0)
            np.divide(sums, lasts, out=mean, where=lasts >= WINDOW_HELD_SHARE * window)
            at = int(np.argmax(mean))
            best = max(float(mean[at]), 0.0)
            bound = _bounds(
                seconds.energy, seconds.peak_square, seconds.held_s, window=window, cell_s=1.0
            )
            self._best.append((best, self._start_ns + at * S))
            self._bound.append(max(best, float(bound.max(initial=0.0))))
            if window <= MOST_REFINED_S:
                self._open[window] = bound > best

    def needs_rows(self, start_ns: int, end_ns: int) -> bool:
        """Return whether rows of [start_ns, end_ns) may raise a window that begins there."""
        first, last = ((one - self._start_ns) // S for one in (start_ns, end_ns))
        return any(bool(one[max(first, 0) : last].any()) for one in self._open.values())

    def feed(self, steps: HeldSteps, start_ns: int, end_ns: int) -> None:
        """Try every beginning of a window that lies in [start_ns, end_ns), both whole seconds."""
        if not len(steps.load) or not self.needs_rows(start_ns, end_ns):
            return
        first = (start_ns - self._start_ns) // S
        trace = _Trace(steps, start_ns, (end_ns - start_ns) // S)
        for at, window in enumerate(self.windows_s):
            is_open = self._open.get(window)
            if is_open is None:
                break
            best, where = self._best[at]
            value, begin_s = trace.highest(window, is_open[first:], best)
            if value > best:
                where = start_ns + round(begin_s * S)
                self._best[at] = value, where

    def curve(self) -> tuple[WindowRms, ...]:
        """Return the highest RMS for each length that the span has room for."""
        return tuple(
            WindowRms(
                window_s=window,
                rms=best**0.5,
                at_most=(best if window in self._open else bound) ** 0.5,
                start_ns=where,
            )
            for window, (best, where), bound in zip(
                self.windows_s, self._best, self._bound, strict=True
            )
            if best > 0.0
        )


class _Trace:
    """The rows of a stretch: the running integral of the squared load at each of its changes."""

    def __init__(self, steps: HeldSteps, start_ns: int, seconds: int) -> None:
        begin, end = (to_s(one - start_ns) for one in (steps.begin_ns, steps.end_ns))
        # A step that begins where the one before ends is one change; a gap makes two of it.
        is_new = np.append(True, steps.begin_ns[1:] > steps.end_ns[:-1])
        self.edge_s = np.sort(np.concatenate([begin[is_new], end]))
        square = np.square(steps.load)
        part = np.zeros(len(self.edge_s))
        lasts = np.zeros(len(self.edge_s))
        at = np.searchsorted(self.edge_s, end)
        part[at] = square * (end - begin)
        lasts[at] = end - begin
        self.energy, self.held = np.cumsum(part), np.cumsum(lasts)
        cells = np.arange(seconds * _SECOND_CELLS + 1) / _SECOND_CELLS
        self.cell_energy = np.diff(self.energy_at(cells))
        self.cell_held = np.diff(np.interp(cells, self.edge_s, self.held))
        self.cell_peak = _cell_peaks(begin, end, square, len(cells) - 1)

    def energy_at(self, time_s: Floats) -> Floats:
        return np.asarray(np.interp(time_s, self.edge_s, self.energy))

    def highest(
        self, window_s: int, is_open: NDArray[np.bool_], best: float
    ) -> tuple[float, float]:
        """Return the highest mean square above `best`, and where in the stretch it begins."""
        bound = _bounds(
            self.cell_energy,
            self.cell_peak,
            self.cell_held,
            window=window_s * _SECOND_CELLS,
            cell_s=1.0 / _SECOND_CELLS,
        )
        seconds = np.arange(len(bound)) // _SECOND_CELLS
        inside = seconds < len(is_open)
        tried = np.zeros(len(bound) + 1, bool)
        tried[:-1] = (bound > best) & inside & is_open[np.minimum(seconds, len(is_open) - 1)]
        value, where = best, 0.0
        for shift in (0.0, float(window_s)):
            begin = self.edge_s - shift
            cell = np.floor(begin * _SECOND_CELLS).astype(np.int64)
            begin = begin[tried[np.where((cell >= 0) & (cell < len(bound)), cell, -1)]]
            if not len(begin):
                continue
            sums = self.energy_at(begin + window_s) - self.energy_at(begin)
            lasts = np.interp(begin + window_s, self.edge_s, self.held) - np.interp(
                begin, self.edge_s, self.held
            )
            mean = np.where(lasts >= _WHOLE * window_s, sums / window_s, -1.0)
            at = int(np.argmax(mean))
            if mean[at] > value:
                value, where = float(mean[at]), float(begin[at])
        return value, where


def _bounds(
    energy: Floats, peak_square: Floats, held_s: Floats, *, window: int, cell_s: float
) -> Floats:
    """Return what the mean square of a window that begins within each cell can be at most.

    Of the first cell a window takes the share 1 - f and of the one behind its whole ones the share
    f: no more than their energy, nor than their peak for that time. The highest sum lies where one
    of the two stops to be the lesser. -1 where a gap lies within.
    """
    n = len(energy) - window + 1
    if n <= 0:
        return np.empty(0)
    gaps = _sums(np.where(held_s >= _WHOLE * cell_s, 0, 1))
    sums = _sums(energy)
    first, last = slice(0, n), slice(window, window + n)
    e1, p1 = energy[first], peak_square[first] * cell_s
    e2, p2 = (np.append(one, 0.0)[last] for one in (energy, peak_square * cell_s))
    interior = sums[window : window + n] - sums[1 : n + 1]
    share = np.divide(e1, p1, out=np.ones(n), where=p1 > 0.0)
    from_first = 1.0 - np.minimum(share, 1.0)
    from_last = np.minimum(np.divide(e2, p2, out=np.zeros(n), where=p2 > 0.0), 1.0)
    most = np.maximum(
        e1 + np.minimum(e2, from_first * p2),
        np.minimum(e1, (1.0 - from_last) * p1) + e2,
    )
    has_gap = gaps[window : window + n] - gaps[1 : n + 1] > 0
    return np.where(has_gap, -1.0, (interior + most) / (window * cell_s))


def _cell_peaks(begin: Floats, end: Floats, square: Floats, cells: int) -> Floats:
    """Return the largest square in each cell, of steps that may reach over several."""
    peak = np.zeros(cells)
    first = np.clip(np.floor(begin * _SECOND_CELLS).astype(np.int64), 0, cells - 1)
    last = np.clip(np.ceil(end * _SECOND_CELLS).astype(np.int64) - 1, first, cells - 1)
    repeats = last - first + 1
    at = np.repeat(first - np.cumsum(repeats) + repeats, repeats) + np.arange(int(repeats.sum()))
    np.maximum.at(peak, at, np.repeat(square, repeats))
    return peak


def _sums(values: Floats | Ints) -> Floats:
    """Return the running sums from 0 on, shape (n + 1,)."""
    return np.concatenate([[0.0], np.cumsum(values)])
