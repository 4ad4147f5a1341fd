"""Columns of blocks made white under each kind of noise, and courses of changes with them. Pure.

Whitening is by Kalman's innovations: a block costs the same however many there are. What a change
of any date adds follows from sums taken backward from the end, so that a date costs the same
however many blocks come after it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from replay.campaign.noise_grid import NOISES, Noise

__all__ = ["ChangeCourses", "WhiteBlocks", "all_courses", "white_blocks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeCourses:
    """m courses: nothing, a share in one block, then a line until the end; shape (m,) each."""

    row: Ints
    """The block in which each begins."""
    first: Floats
    """Its share there."""
    following: Floats
    """Its share in the next block; of no meaning in the last."""
    per_hour: Floats
    """What is added by each hour after that."""

    def chosen(self, places: NDArray[np.bool_]) -> "ChangeCourses":
        """Return some of the courses."""
        return ChangeCourses(
            row=self.row[places],
            first=self.first[places],
            following=self.following[places],
            per_hour=self.per_hour[places],
        )

    def column(self, place: int, start_h: Floats) -> Floats:
        """Return one course in all n blocks, shape (n,)."""
        row = int(self.row[place])
        out = np.zeros(len(start_h))
        out[row] = self.first[place]
        after_h = start_h[row + 1 :] - start_h[row + 1 : row + 2]
        out[row + 1 :] = self.following[place] + self.per_hour[place] * after_h
        return out


@dataclass(frozen=True)
class WhiteBlocks:
    """What makes n blocks white under g kinds of noise; arrays of shape (n, g).

    A block's innovation is what the blocks before it do not foretell: `x - s`, of variance `total`.
    What they foretell of the next is `decay * s + lift * x`.
    """

    start_h: Floats
    """Shape (n,)."""
    total: Floats
    decay: Floats
    lift: Floats

    @property
    def log_determinant(self) -> Floats:
        """Half the logarithm of the determinant of the covariance, shape (g,)."""
        return np.asarray(0.5 * np.log(self.total).sum(axis=0))

    def until(self, end: int) -> "WhiteBlocks":
        """Return that of the first blocks: none depends on what comes later."""
        return WhiteBlocks(self.start_h[:end], self.total[:end], self.decay[:end], self.lift[:end])

    def whitened(self, columns: Floats) -> Floats:
        """Return innovations over their standard deviation, shape (n, g, h), of (n, h)."""
        foretold = np.zeros((len(columns), self.total.shape[1], columns.shape[1]))
        foretold[1:] = self.lift[:-1, :, None] * columns[:-1, None, :]
        _run_on(foretold, self.decay[:-1, :, None])
        return (columns[:, None, :] - foretold) / np.sqrt(self.total)[:, :, None]

    def course_lengths(self, courses: ChangeCourses) -> Floats:
        """Return the inner product of each course with itself, shape (g, m)."""
        row, foretold = courses.row, self._foretold(courses)
        line, rise = courses.following[:, None], courses.per_hour[:, None]
        ss, sx, sr, xx, xr, rr = (one[row + 1] for one in self._squares)
        out = courses.first[:, None] ** 2 / self.total[row]
        out += foretold * (ss * foretold + 2.0 * (sx * line + sr * rise))
        out += line * (xx * line + 2.0 * xr * rise) + rr * rise**2
        return np.asarray(out.T)

    def course_products(self, white: Floats, courses: ChangeCourses) -> Floats:
        """Return inner products of columns with courses, shape (g, h, m).

        `white`: the columns as `whitened` returns them.
        """
        scaled = white / np.sqrt(self.total)[:, :, None]
        gap_h = self._gaps_h[:, None, None]
        # Of a line x + r * hours beside what is foretold, s: sums over all blocks from one on.
        of_s = np.zeros((len(white) + 1, *white.shape[1:]))
        of_s[:-1] = -scaled
        _run_on(of_s[-2::-1], self.decay[-2::-1, :, None])
        of_x, of_r = np.zeros_like(of_s), np.zeros_like(of_s)
        of_x[:-1] = _sums_from(self.lift[:, :, None] * of_s[1:] + scaled)
        of_r[:-1] = _sums_from(gap_h * of_x[1:])
        row = courses.row
        out = courses.first[:, None, None] * scaled[row]
        out += self._foretold(courses)[:, :, None] * of_s[row + 1]
        out += courses.following[:, None, None] * of_x[row + 1]
        out += courses.per_hour[:, None, None] * of_r[row + 1]
        return np.asarray(out.transpose(1, 2, 0))

    def _foretold(self, courses: ChangeCourses) -> Floats:
        """Return what a course's first block foretells of the next, shape (m, g)."""
        return np.asarray(self.lift[courses.row] * courses.first[:, None])

    @property
    def _gaps_h(self) -> Floats:
        """Hours from each block to the next, shape (n,); nothing after the last."""
        return np.diff(self.start_h, append=self.start_h[-1:])

    @cached_property
    def _squares(self) -> tuple[Floats, ...]:
        """Sums of squares of innovations from a block on, shape (n + 1, g) each.

        Where `s` is foretold of a line that is `x` there and rises by `r` an hour, they are a
        quadratic form: its ss, sx, sr, xx, xr and rr.
        """
        n, kinds = self.total.shape
        decay, lift, gap_h = self.decay, self.lift, self._gaps_h[:, None]
        one = 1.0 / self.total
        ss, sx, sr, xx, xr, rr = np.zeros((6, n + 1, kinds))
        ss[:-1] = one
        _run_on(ss[-2::-1], decay[-2::-1] ** 2)
        sx[:-1] = decay * lift * ss[1:] - one
        _run_on(sx[-2::-1], decay[-2::-1])
        sr[:-1] = decay * gap_h * sx[1:]
        _run_on(sr[-2::-1], decay[-2::-1])
        xx[:-1] = _sums_from(lift * (lift * ss[1:] + 2.0 * sx[1:]) + one)
        xr[:-1] = _sums_from(lift * (gap_h * sx[1:] + sr[1:]) + gap_h * xx[1:])
        rr[:-1] = _sums_from(gap_h * (gap_h * xx[1:] + 2.0 * xr[1:]))
        return ss, sx, sr, xx, xr, rr


def all_courses(some: Sequence[ChangeCourses]) -> ChangeCourses:
    """Return courses as one, in order."""
    return ChangeCourses(
        row=np.concatenate([one.row for one in some]),
        first=np.concatenate([one.first for one in some]),
        following=np.concatenate([one.following for one in some]),
        per_hour=np.concatenate([one.per_hour for one in some]),
    )


def white_blocks(start_h: Floats, counts: Floats, noises: Sequence[Noise] = NOISES) -> WhiteBlocks:
    """Return what makes blocks white.

    Parameters
    ----------
    start_h, counts
        Begin of each block in hours, and its cycles, shape (n,).
    """
    slow_h = np.array([one.correlation_h for one in noises])
    white = np.array([one.white_share for one in noises])
    slow = 1.0 - white
    # What is left of slow noise after each block, at the next; none is after the last.
    kept = np.exp(-np.diff(start_h, append=np.inf)[:, None] / slow_h)
    shares = white * float(np.median(counts)) / counts[:, None]
    total, gain = np.empty_like(kept), np.empty_like(kept)
    variance = slow
    for row, (share, keep) in enumerate(zip(shares, kept, strict=True)):
        np.add(variance, share, out=total[row])
        np.divide(variance, total[row], out=gain[row])
        variance = keep**2 * ((1.0 - gain[row]) * variance - slow) + slow
    return WhiteBlocks(start_h, total, kept * (1.0 - gain), kept * gain)


def _run_on(values: Floats, factors: Floats) -> None:
    """Add to each row of values, in place, that before it times a factor; one factor a step."""
    scratch = np.empty_like(values[0]) if len(values) else values
    for before, now, factor in zip(values[:-1], values[1:], factors, strict=True):
        np.multiply(before, factor, out=scratch)
        np.add(now, scratch, out=now)


def _sums_from(values: Floats) -> Floats:
    """Return the sums of each row and all after it."""
    return np.asarray(values[::-1].cumsum(axis=0)[::-1])
