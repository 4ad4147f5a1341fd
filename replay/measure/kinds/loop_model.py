"""The loop that a gear with play draws: motor angle over torque, the output held fast. Pure.

    phi(t) = clip of the last phi between g(T - Tc) and g(T + Tc)

with g a spring of two zones and half of the play on either side of no torque, Tc the friction. What
is unknown is fitted to the whole loop at once: play, friction, both stiffnesses, the torque between
them, an offset and a drift.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from logger.arrays import Floats
from logger.findings.uncertainty import student_factor

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

__all__ = ["LoopFit", "LoopPath", "fit_loops", "loop_angles", "thin_loop"]

COARSE: Final = 240
FINE: Final = 1200
"""Points of a loop while the starts are tried, and for the fit itself."""
ROBUST_SHARE: Final = 1.5
"""Residuals beyond so many standard deviations count less than their square."""
FAR_SHARE: Final = 6.0
"""Residuals beyond so many are points on the wrong side of the play, and count not at all."""
ONE_ZONE_STEP: Final = 0.05
"""Stiffnesses that differ by a smaller share are one, however alike the loops are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopPath:
    """n points of a loop in order of time; shape (n,) each."""

    time_s: Floats
    torque_Nm: Floats  # noqa: N815 - the unit's own spelling
    angle: Floats
    """Of the motor, told at the output, in arcmin."""
    count: float = 0.0
    """The step of one count of the angle, in arcmin; 0: not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopFit:
    """One fitted loop: angles in arcmin, torques in N.m."""

    play: float
    friction: float
    first: float
    """Stiffness around no torque, in N.m/arcmin."""
    second: float
    """Stiffness beyond the knee."""
    knee: float
    offset: float
    drift: float
    """In arcmin/s."""
    residual: float
    """Standard deviation of the angle about the loop."""


def loop_angles(torque: Floats, gears: Floats) -> Floats:
    """Return the angle at each of n torques for m gears, in arcmin; shape (n, m).

    Parameters
    ----------
    torque
        In the order of time, shape (n,).
    gears
        Play, friction, first and second stiffness in N.m/arcmin, and the torque between these;
        shape (5, m).
    """
    play, friction, first, second, knee = gears
    low = _spring(torque[:, None] - friction, play, first, second, knee)
    high = _spring(torque[:, None] + friction, play, first, second, knee)
    out = np.empty_like(low)
    # Where it lay before is not known: in the middle of what friction allows.
    now = (low[0] + high[0]) / 2.0
    for index in range(len(torque)):
        now = np.minimum(np.maximum(now, low[index]), high[index])
        out[index] = now
    return out


def _spring(torque: Floats, play: Floats, first: Floats, second: Floats, knee: Floats) -> Floats:
    size = np.abs(torque)
    soft = np.minimum(size, knee)
    return np.asarray(np.sign(torque) * (play / 2.0 + soft / first + (size - soft) / second))


def thin_loop(path: LoopPath, points: int) -> LoopPath:
    """Return every so many points of a loop: a mean over neighbours would round the corners off."""
    step = max(len(path.time_s) // points, 1)
    return LoopPath(
        time_s=path.time_s[::step],
        torque_Nm=path.torque_Nm[::step],
        angle=path.angle[::step],
        count=path.count,
    )


def fit_loops(paths: Sequence[LoopPath]) -> list[LoopFit]:
    """Return the gear of each loop, by robust least squares from four starts.

    All with one stiffness, where neither a second one describes them better nor the loops agree on
    it: a soft first zone and play look alike where they are small.
    """
    problems = [_Problem(thin_loop(one, FINE)) for one in paths]
    solved: dict[int, list[Floats]] = {1: [], 2: []}
    for path, fine in zip(paths, problems, strict=True):
        coarse = _Problem(thin_loop(path, COARSE))
        for zones, solutions in solved.items():
            best = min(
                (coarse.solve(start, zones) for start in coarse.starts(zones)),
                key=lambda one: one.cost,
            )
            best = fine.solve(best.x, zones, spread=fine.spread_of(best.x))
            best = fine.solve(
                best.x,
                zones,
                spread=fine.spread_of(best.x),
                counted=fine.counted_at(best.x),
            )
            solutions.append(best.x)
    scores = {
        zones: sum(one.score_of(x) for one, x in zip(problems, solutions, strict=True))
        for zones, solutions in solved.items()
    }
    is_one_zone = scores[1] <= scores[2] and not _agree_on_zones(solved[2])
    chosen = solved[1 if is_one_zone else 2]
    return [one.fit_of(x) for one, x in zip(problems, chosen, strict=True)]


def _agree_on_zones(solutions: Sequence[Floats]) -> bool:
    """Return whether loops that were fitted apart find the same step from first to second zone.

    A motor that wanders makes neighbouring points alike, so that one loop's residual tells less of
    the zones than it seems to. Loops share no wander: their scatter is Student's. One stiffness for
    two is the worse mistake: it makes the play too large in every loop alike, which no scatter
    shows, where two for one only widen the interval.
    """
    n = len(solutions)
    steps = np.array([one[3] - one[2] for one in solutions])
    mean = abs(float(steps.mean()))
    if n < 2 or mean < ONE_ZONE_STEP:
        return False
    return mean > student_factor(n - 1) * float(steps.std(ddof=1)) / math.sqrt(n)


class _Problem:
    """One loop and the residuals of its model; unknown are logarithms, offset and drift."""

    def __init__(self, path: LoopPath) -> None:
        self.path = path
        self.most = float(np.abs(path.torque_Nm).max())
        self.span = float(np.ptp(path.angle))
        self.duration_s = max(float(np.ptp(path.time_s)), 1e-9)
        at = (path.time_s - path.time_s.mean()) / self.duration_s
        self.line = np.stack([np.ones(len(at)), at], axis=1)
        stiff = self.most / max(self.span / 2.0, 1e-9)
        self.low = np.log(
            [1e-4 * self.span, 1e-4 * self.most, 0.2 * stiff, 0.2 * stiff, 0.05 * self.most]
        )
        self.high = np.log(
            [1.2 * self.span, 0.5 * self.most, 200.0 * stiff, 200.0 * stiff, self.most]
        )

    def starts(self, zones: int) -> Iterator[Floats]:
        """Yield where the search begins."""
        stiff = self.most / max(self.span / 2.0, 1e-9)
        for play, friction, knee in (
            (0.5, 0.02, 0.3),
            (0.1, 0.02, 0.3),
            (0.5, 0.1, 0.5),
            (0.02, 0.05, 0.15),
        ):
            rest = max(1.0 - play, 0.1)
            start = np.log(
                [
                    play * self.span,
                    friction * self.most,
                    stiff / rest,
                    1.5 * stiff / rest,
                    knee * self.most,
                ]
            )
            start = np.clip(start, self.low + 1e-6, self.high - 1e-6)
            yield np.append(start, [float(self.path.angle.mean()), 0.0])
            if zones == 1 and play == 0.1:
                return

    def angles_of(self, logs: Floats, zones: int) -> Floats:
        """Return the loops of m sets of logarithms, shape (5, m)."""
        gears = np.exp(logs)
        if zones == 1:
            gears[3] = gears[2]
        return loop_angles(self.path.torque_Nm, gears)

    def residuals(self, unknown: Floats, zones: int) -> Floats:
        """Return model less angle at each point."""
        made = self.angles_of(unknown[:5, None], zones)[:, 0]
        return np.asarray(made + self.line @ unknown[5:] - self.path.angle)

    def jacobian(self, unknown: Floats, zones: int) -> Floats:
        """Return the derivatives of the residuals; shape (n, 7)."""
        # All steps in one pass over the loop: its points are what takes time, not the gears.
        step = 1e-5
        moved = np.repeat(unknown[:5, None], 10, axis=1)
        for index in range(5):
            moved[index, 2 * index] += step
            moved[index, 2 * index + 1] -= step
        made = self.angles_of(moved, zones)
        return np.hstack([(made[:, ::2] - made[:, 1::2]) / (2.0 * step), self.line])

    def solve(
        self, start: Floats, zones: int, *, spread: float = 0.0, counted: np.ndarray | None = None
    ) -> "OptimizeResult":
        """Return the nearest solution; outliers are told by `spread`, 0: not known yet.

        Only points that are `counted` are fitted; None: all.
        """
        # Imported here: 17 MB in a server that may never measure anything.
        from scipy.optimize import least_squares  # noqa: PLC0415

        noise = max(_noise(self.path.angle), 1e-6 * self.span, 1e-9)
        scale = ROBUST_SHARE * spread if spread else max(3.0 * noise, 0.02 * self.span)
        near = np.ones(len(self.path.angle), dtype=np.bool_) if counted is None else counted
        start = start[:7]
        free = np.append(np.isin(np.arange(5), (0, 1, 2) if zones == 1 else range(5)), [True, True])

        def whole(part: Floats) -> Floats:
            unknown = start.copy()
            unknown[free] = part
            return unknown

        low = np.append(self.low, [-np.inf, -np.inf])[free]
        high = np.append(self.high, [np.inf, np.inf])[free]
        found = least_squares(
            lambda part: self.residuals(whole(part), zones)[near],
            np.clip(start[free], low + 1e-9, high - 1e-9),
            jac=lambda part: self.jacobian(whole(part), zones)[np.ix_(near, free)],
            bounds=(low, high),
            loss="soft_l1",
            f_scale=max(scale, 1e-7 * self.span),
            x_scale="jac",
            max_nfev=60,
            ftol=1e-10,
            xtol=1e-10,
        )
        found.x = np.append(whole(found.x), float(zones))
        return found

    def counted_at(self, unknown: Floats) -> np.ndarray:
        """Return which points are on the side of the play where the model has them, shape (n,).

        Where the play is crossed, late or noisy torque puts points on the wrong side. All of them
        are fitted better by less play, so that however little each counts they take some away.
        """
        residuals = self.residuals(unknown[:7], int(unknown[7]))
        far = max(FAR_SHARE * self.spread_of(unknown), 0.005 * self.span)
        return np.asarray(np.abs(residuals) <= far)

    def spread_of(self, unknown: Floats) -> float:
        """Return the scatter of the angle about the loop, whatever outliers there are."""
        residuals = self.residuals(unknown[:7], int(unknown[7]))
        rounding = self.path.count / math.sqrt(12.0)
        return max(1.4826 * float(np.median(np.abs(residuals))), rounding)

    def score_of(self, unknown: Floats) -> float:
        """Return how badly the model describes the loop, its unknowns counted (Schwarz)."""
        n = len(self.path.angle)
        spread = max(self.spread_of(unknown), 1e-6 * self.span)
        # Neighbouring points share ripple and wander: a tenth of them tells something new.
        return 0.1 * n * 2.0 * math.log(spread) + (2.0 if unknown[7] == 2.0 else 0.0) * math.log(n)

    def fit_of(self, unknown: Floats) -> LoopFit:
        """Return the solution in its own units."""
        made = np.exp(unknown[:5])
        zones = int(unknown[7])
        return LoopFit(
            play=float(made[0]),
            friction=float(made[1]),
            first=float(made[2]),
            second=float(made[3] if zones == 2 else made[2]),
            knee=float(made[4]) if zones == 2 else self.most,
            offset=float(unknown[5]),
            drift=float(unknown[6]) / self.duration_s,
            residual=self.spread_of(unknown),
        )


def _noise(angle: Floats) -> float:
    """Return the scatter from one point to the next."""
    steps = np.diff(angle, 2)
    return 1.4826 * float(np.median(np.abs(steps))) / np.sqrt(6.0) if len(steps) else 0.0
