"""How far a channel swings within a band of frequencies, from readings at uneven times.

The channel is taken through a Butterworth band-pass (order 2 of its low-pass prototype, so 12 dB an
octave on either side and -3 dB at the band's ends), and its mean square over a window gives the
amplitude: that of the sine of the same power, zero to peak, sqrt(2) times the RMS.

Why this way. Joints report at uneven times, and move slowly and widely while they swing quickly and
a little: a count of turning points misses the little one on the slope of the other, and a filter on
a grid of samples needs the readings moved to it. Here the filter stays one in continuous time and
is solved exactly between two readings, with the channel as a straight line from one to the next.
In partial fractions its state is one complex number for each of two poles,

    w' = pole * w + slope / pole,        output = 2 * Re(sum of gain * w)

(with w the state less its steady value for a constant, so that only differences of readings come
in: an offset is nothing from the first reading on, and a drift dies out, for the band-pass has a
double zero at frequency zero). A straight line rounds the crests off, by sinc^2 of frequency times
period; the next term of that series, (2 pi f T)^2 / 12, is put back, which leaves 1 % at five
readings a cycle and 2 % at four. Below that there is no amplitude: NaN.

Poles and residues by the usual transform of a low-pass prototype (s -> (s^2 + w0^2) / (B s), as in
A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, appendix on Butterworth filters;
from memory). The tests hold it against closed forms, and against numpy's FFT.

A gap, and the first reading, start again: NaN until a whole window has passed. Pure;
takes the state in and gives it back, and any chunking gives the same bits.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints

__all__ = [
    "LEAST_A_CYCLE",
    "READINGS_A_CYCLE",
    "WINDOW_CYCLES",
    "OscillationState",
    "band_amplitude",
    "highest_frequency_Hz",
]

Complex = NDArray[np.complex128]

READINGS_A_CYCLE: Final = 5.0
"""Of the highest frequency, by a period that is known beforehand: 2.5 times what Nyquist asks, so
that crests are met within a per cent and jitter has room."""
WINDOW_CYCLES: Final = 2.0
"""Of the lowest frequency; a part of a cycle too much then changes the amplitude by 2 % at most."""

LEAST_A_CYCLE: Final = 4.0
"""By the readings as they came: between five and four is the room for jitter and lost frames."""
_CELLS: Final = 32
"""Into so many a window is cut, on an absolute grid; one mark of each is remembered."""
_BLOCK: Final = 300.0
"""Time constants after which sums start again, and of the longest step: exp(600) is finite.

The newest term is the largest part of a sum, so it loses no digits however long the sum is."""
_NONE: Final = (0j, 0j)


@dataclass(frozen=True, slots=True, kw_only=True)
class OscillationState:
    """The state of the filter and of its window, from the readings since the newest gap."""

    last_ns: int | None = None
    """Time of the newest reading; None: there was none yet."""
    last: float = 0.0
    output: float = 0.0
    """Of the band-pass, at the newest reading."""
    level: tuple[complex, complex] = _NONE
    """The state of each pole where the present block of sums began."""
    sum: tuple[complex, complex] = _NONE
    """Running sum of each pole since then, divided by its decay since the block began."""
    span_s: float = 0.0
    """Length of the present block so far."""
    energy: float = 0.0
    """Integral of the squared output since the gap."""
    count: int = 0
    """Readings since the gap."""
    marks: tuple[tuple[int, float, int], ...] = ()
    """(time, energy, count) of the first reading in each cell of the last window."""


def highest_frequency_Hz(period_s: float) -> float:  # noqa: N802 - the unit's own spelling
    """Return the highest frequency that readings every `period_s` resolve, with a margin."""
    return 1.0 / (READINGS_A_CYCLE * period_s)


def band_amplitude(
    state: OscillationState,
    time_ns: Ints,
    value: Floats,
    *,
    band_Hz: tuple[float, float],  # noqa: N803 - the unit's own spelling
    hold_ns: int,
) -> tuple[Floats, OscillationState]:
    """Return the amplitude within a band at each reading, zero to peak, and the state after them.

    Parameters
    ----------
    time_ns, value
        Shape (n,), in order of time, without NaN; times may be equal.
    band_Hz
        The lowest and the highest frequency; at either end 0.71 of an amplitude is measured.
    hold_ns
        Two readings further apart have a gap between them.

    Returns
    -------
    Shape (n,), in the unit of the values. NaN before a whole window has passed, or where the
    readings of the window come less often than four times a cycle of the highest frequency.
    """
    n = len(value)
    amplitude = np.full(n, np.nan)
    if n == 0:
        return amplitude, state
    first_ns = time_ns[0] if state.last_ns is None else state.last_ns
    gaps = np.flatnonzero(np.diff(time_ns, prepend=first_ns) > hold_ns)
    begin = 0
    for end in [*gaps.tolist(), n]:
        if end > begin:
            part = slice(begin, end)
            amplitude[part], state = _of_stretch(state, time_ns[part], value[part], band_Hz)
        if end < n:
            state = OscillationState()
        begin = end
    return amplitude, state


def _of_stretch(
    state: OscillationState,
    time_ns: Ints,
    value: Floats,
    band_Hz: tuple[float, float],  # noqa: N803
) -> tuple[Floats, OscillationState]:
    """Return amplitude and state for readings without a gap before or between them."""
    # The first reading is its own predecessor: an offset has no effect then.
    before_ns = int(time_ns[0]) if state.last_ns is None else state.last_ns
    before = float(value[0]) if state.last_ns is None else state.last
    step_s = np.diff(np.concatenate(([before_ns], time_ns))).astype(np.float64) * 1e-9
    rise: Floats = np.diff(np.concatenate(([before], value)))
    output, after = _filtered(state, step_s, rise, band_Hz)
    square = np.concatenate(([state.output], output)) ** 2
    # For a wave sampled four times a cycle the mean of the two squares is exact on average;
    # integrating a straight line between readings would lose the crests.
    energy = np.cumsum(np.concatenate(([state.energy], 0.5 * step_s * (square[1:] + square[:-1]))))
    count = np.arange(state.count + 1, state.count + len(value) + 1)
    amplitude, marks = _over_window(state, time_ns, energy[1:], count, band_Hz)
    return amplitude, replace(
        after,
        last_ns=int(time_ns[-1]),
        last=float(value[-1]),
        output=float(output[-1]),
        energy=float(energy[-1]),
        count=int(count[-1]),
        marks=marks,
    )


@lru_cache(maxsize=64)
def _poles(low_Hz: float, high_Hz: float) -> tuple[Complex, Complex]:  # noqa: N803
    """Return the two poles above the real axis and the residues there; the others mirror them.

    H(s) = B^2 s^2 / product of (s - pole), B = w_high - w_low, w0^2 = w_low * w_high.
    """
    low, high = 2.0 * np.pi * low_Hz, 2.0 * np.pi * high_Hz
    width, middle2 = high - low, low * high
    prototype = np.exp(0.75j * np.pi)
    root = np.sqrt((prototype * width) ** 2 - 4.0 * middle2 + 0j)
    pole_pair = np.array([prototype * width + root, prototype * width - root]) / 2.0
    # One prototype pole gives one above and one below; that below is the mirror of another above.
    upper = np.where(pole_pair.imag > 0, pole_pair, pole_pair.conj())
    all_poles = np.concatenate((upper, upper.conj()))
    gains = [
        width**2 * pole**2 / np.prod(pole - np.delete(all_poles, place))
        for place, pole in enumerate(upper)
    ]
    return upper, np.array(gains)


def _filtered(
    state: OscillationState,
    step_s: Floats,
    rise: Floats,
    band_Hz: tuple[float, float],  # noqa: N803
) -> tuple[Floats, OscillationState]:
    """Return the output of the band-pass at each of n readings, and the state of its poles.

    `step_s`, `rise`: shape (n,), the differences of each reading to the previous one.

    The recursion w_i = exp(pole * step_i) * w_(i-1) + slope_i * (exp(pole * step_i) - 1) / pole^2
    is solved as a running sum: divided by exp(pole * T_i), with T_i the time since the block began,
    every term is added once. That factor grows with T, so a block ends after `_BLOCK` time
    constants of the faster pole and the sum starts again from the state there.
    """
    poles, gains = _poles(*band_Hz)
    n, longest_s = len(step_s), _BLOCK / float(-poles.real.min())
    per_pole2 = (1.0 / (poles * poles))[:, None]
    at_once = step_s == 0
    slope = rise / np.where(at_once, 1.0, step_s)
    after_pause = [*np.flatnonzero(step_s > longest_s).tolist(), n]
    pole_states = np.empty((2, n), np.complex128)
    level, sums, span_s = np.array(state.level), np.array(state.sum), state.span_s
    begin, ahead, pause = 0, 1024, 0
    while begin < n:
        if begin == after_pause[pause]:
            # After a step longer than a block the sum would overflow: one step by itself, then a
            # new block.
            state_now = (level + sums) / _decays(poles, np.array([span_s]))[:, 0]
            decay = np.exp(poles * step_s[begin])
            level = decay * state_now + slope[begin] * (decay - 1.0) / (poles * poles)
            pole_states[:, begin] = level
            sums, span_s = np.zeros(2, np.complex128), 0.0
            begin, pause = begin + 1, pause + 1
            continue
        end = min(begin + ahead, after_pause[pause])
        spans = np.cumsum(np.concatenate(([span_s], step_s[begin:end])))
        full = int(np.searchsorted(spans[1:], longest_s)) + 1
        done = min(full, end - begin)
        rows = slice(begin, begin + done)
        decay = _decays(poles, spans[: done + 1])
        # exp(-pole * T) * (exp(pole * step) - 1) / step, without a division by a small number.
        terms = (slope[rows] * (decay[:, :-1] - decay[:, 1:])) * per_pole2
        if at_once[rows].any():
            jumped = np.flatnonzero(at_once[rows])
            terms[:, jumped] = rise[rows][jumped] * decay[:, 1:][:, jumped] / poles[:, None]
        chain = np.cumsum(np.concatenate((sums[:, None], terms), axis=1), axis=1)[:, 1:]
        pole_states[:, rows] = (level[:, None] + chain) / decay[:, 1:]
        if full <= end - begin:
            # The trace alone decides at which reading a block ends, not the batches: any chunking
            # gives the same bits.
            level, sums, span_s = pole_states[:, begin + done - 1].copy(), np.zeros(2, complex), 0.0
        else:
            sums, span_s = chain[:, -1], float(spans[-1])
        ahead = min(max(1024, 2 * done), 16_384)
        begin += done
    # Compensate the crests that straight lines between readings cut off (module docstring).
    rounded = step_s * step_s * (-1.0 / 12.0)
    output = 2.0 * (
        _real_part(gains, pole_states) + rounded * _real_part(gains * poles * poles, pole_states)
    )
    return output, replace(
        state,
        level=(complex(level[0]), complex(level[1])),
        sum=(complex(sums[0]), complex(sums[1])),
        span_s=span_s,
    )


def _real_part(gains: Complex, at: Complex) -> Floats:
    """Return the real part of gains times states, summed over the poles; without the other part."""
    first, second = complex(gains[0]), complex(gains[1])
    found: Floats = first.real * at[0].real - first.imag * at[0].imag
    found += second.real * at[1].real - second.imag * at[1].imag
    return found


def _decays(poles: Complex, span_s: Floats) -> Complex:
    """Return exp(-pole * span), shape (2, m); by real functions, which are five times as fast."""
    size = np.exp(-poles.real[:, None] * span_s)
    angle = poles.imag[:, None] * span_s
    decays = np.empty(angle.shape, np.complex128)
    decays.real = size * np.cos(angle)
    decays.imag = size * -np.sin(angle)
    return decays


def _over_window(
    state: OscillationState,
    time_ns: Ints,
    energy: Floats,
    count: Ints,
    band_Hz: tuple[float, float],  # noqa: N803
) -> tuple[Floats, tuple[tuple[int, float, int], ...]]:
    """Return the amplitude over the window before each reading, and the marks to keep."""
    low_Hz, high_Hz = band_Hz  # noqa: N806
    cell_ns = max(round(WINDOW_CYCLES / low_Hz * 1e9 / _CELLS), 1)
    cell = time_ns // cell_ns
    newest = state.marks[-1][0] // cell_ns if state.marks else cell[0] - 1
    first = np.flatnonzero(np.diff(cell, prepend=newest) != 0)
    kept = len(state.marks)
    old_ns, old_energy, old_count = zip(*state.marks, strict=True) if kept else ((), (), ())
    mark_ns = np.concatenate((np.array(old_ns, np.int64), time_ns[first]))
    mark_energy = np.concatenate((np.array(old_energy, np.float64), energy[first]))
    mark_count = np.concatenate((np.array(old_count, np.int64), count[first]))
    mark_cell = mark_ns // cell_ns
    # All readings of a cell look back to the same mark: the newest of a whole window before.
    back = np.searchsorted(mark_cell, mark_cell - _CELLS, "right") - 1
    lengths = np.diff(np.concatenate(([0], first, [len(time_ns)])))
    mark_of_row = np.repeat(np.arange(kept - 1, len(mark_ns)), lengths)
    with_past = np.flatnonzero(back[mark_of_row] >= 0)
    marks_before = back[mark_of_row[with_past]]
    span_s = (time_ns[with_past] - mark_ns[marks_before]) * 1e-9
    mean_square = np.maximum(energy[with_past] - mark_energy[marks_before], 0.0) / span_s
    often = (count[with_past] - mark_count[marks_before]) >= LEAST_A_CYCLE * high_Hz * span_s
    amplitude = np.full(len(time_ns), np.nan)
    amplitude[with_past] = np.where(often, np.sqrt(2.0 * mean_square), np.nan)
    first_kept = max(int(back[-1]), 0)
    marks = zip(
        mark_ns[first_kept:].tolist(),
        mark_energy[first_kept:].tolist(),
        mark_count[first_kept:].tolist(),
        strict=True,
    )
    return amplitude, tuple(marks)
