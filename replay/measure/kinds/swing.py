"""Fits of what swings: a decaying sine by least squares, a driven resonance by spectrum. Pure."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from logger.arrays import Floats

__all__ = [
    "DecayFit",
    "NoiseFit",
    "dies_away",
    "dry_decay_gain",
    "fit_decay",
    "fit_noise_driven",
    "half_cycles_s",
    "line_residual",
]

_PADDED: Final = 4
DEAD_SHARE: Final = 0.01
"""Power at the end, of that at the beginning, at which what swung has come to rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayFit:
    """y = offset + drift t + amplitude exp(-decay t) cos(omega t + phase); t from the first point.

    Uncertainties are standard ones, by the information of the fit.
    """

    omega: float
    """In rad/s."""
    decay: float
    """In 1/s; below 0 it grows."""
    amplitude: float
    omega_uncertainty: float
    decay_uncertainty: float
    amplitude_uncertainty: float
    residual: float
    """Standard deviation of the readings about it."""
    residuals: Floats
    dof: int

    @property
    def damping(self) -> tuple[float, float]:
        """The damping ratio and its standard uncertainty."""
        natural = math.hypot(self.omega, self.decay)
        ratio = self.decay / natural
        # d(ratio) = omega^2/natural^3 d(decay) - omega decay/natural^3 d(omega)
        by_decay = self.omega**2 / natural**3 * self.decay_uncertainty
        by_omega = self.omega * self.decay / natural**3 * self.omega_uncertainty
        return ratio, math.hypot(by_decay, by_omega)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseFit:
    """A resonance that white noise drives, beside white noise of the sensor."""

    omega: float
    damping: float
    log_omega_uncertainty: float
    log_damping_uncertainty: float
    amplitude: float
    """Root mean square of the resonance times the root of two."""
    log_amplitude_uncertainty: float


def line_residual(time_s: Floats, values: Floats) -> Floats:
    """Return what is left of values beside a straight line."""
    at = time_s - time_s.mean()
    design = np.stack([np.ones(len(at)), at], axis=1)
    return np.asarray(values - design @ np.linalg.lstsq(design, values, rcond=None)[0])


def fit_decay(time_s: Floats, values: Floats, *, least_scatter: float = 0.0) -> DecayFit | None:
    """Return the decaying sine nearest to n readings; None where there are too few.

    The starts decide: spectra of windows that double from the start find a burst that is over soon
    as well as one that rings to the end. None is tapered, which would hide what the start holds.
    """
    if len(time_s) < 12:
        return None
    # Imported here: 17 MB in a server that may never measure anything.
    from scipy.optimize import least_squares  # noqa: PLC0415

    at = time_s - time_s[0]
    length = float(at[-1])
    starts = sorted(
        ((_cost(at, values, omega, decay), omega, decay) for omega, decay in _starts(at, values)),
    )[:3]
    best = None
    step = length / (len(at) - 1)
    for _, omega, decay in starts:
        found = least_squares(
            lambda p: _projected(at, values, p[0], p[1])[0],
            [omega, decay],
            bounds=([0.5 * math.pi / length, -20.0 / length], [math.pi / step, 4.0 / step]),
            x_scale=[1.0 / length, 1.0 / length],
            xtol=1e-12,
            ftol=1e-12,
            max_nfev=200,
        )
        if best is None or found.cost < best.cost:
            best = found
    if best is None:
        return None
    omega, decay = (float(one) for one in best.x)
    residuals, linear = _projected(at, values, omega, decay)
    dof = len(at) - 6
    scatter = max(float(np.sqrt((residuals**2).sum() / dof)), least_scatter)
    a, b = float(linear[0]), float(linear[1])
    fading = np.exp(-decay * at)
    cosine, sine = fading * np.cos(omega * at), fading * np.sin(omega * at)
    slope = -a * sine + b * cosine
    jacobian = np.stack(
        [
            at * slope,
            -at * (a * cosine + b * sine),
            cosine,
            sine,
            np.ones(len(at)),
            at - length / 2,
        ],
        axis=1,
    )
    cov = np.linalg.pinv(jacobian.T @ jacobian) * scatter**2
    spread = np.sqrt(np.maximum(np.diag(cov), 0.0))
    amplitude = math.hypot(a, b)
    along = np.array([a, b]) / max(amplitude, 1e-300)
    return DecayFit(
        omega=omega,
        decay=decay,
        amplitude=amplitude,
        omega_uncertainty=float(spread[0]),
        decay_uncertainty=float(spread[1]),
        amplitude_uncertainty=math.sqrt(max(float(along @ cov[2:4, 2:4] @ along), 0.0)),
        residual=scatter,
        residuals=residuals,
        dof=dof,
    )


def _starts(at: Floats, values: Floats) -> Iterator[tuple[float, float]]:
    n = len(at)
    window = max(16, n // 64)
    while True:
        window = min(window, n)
        rows = slice(0, window)
        length = float(at[window - 1]) or 1.0
        left = line_residual(at[rows], values[rows])
        size = _PADDED * window
        power = np.abs(np.fft.rfft(left, size)) ** 2
        power[: _PADDED // 2 + 1] = 0.0
        omegas = 2.0 * math.pi * np.fft.rfftfreq(size, length / max(window - 1, 1))
        for index in np.argsort(power)[::-1][:1]:
            for decays in (0.0, 0.7, 3.0, 10.0):
                yield float(omegas[index]), decays / length
        if window == n:
            return
        window *= 2


def _basis(at: Floats, omega: float, decay: float) -> Floats:
    fading = np.exp(-decay * at)
    return np.stack(
        [
            fading * np.cos(omega * at),
            fading * np.sin(omega * at),
            np.ones(len(at)),
            at - at[-1] / 2.0,
        ],
        axis=1,
    )


def _projected(at: Floats, values: Floats, omega: float, decay: float) -> tuple[Floats, Floats]:
    design = _basis(at, omega, decay)
    linear = np.linalg.lstsq(design, values, rcond=None)[0]
    return values - design @ linear, np.asarray(linear, np.float64)


def _cost(at: Floats, values: Floats, omega: float, decay: float) -> float:
    return float((_projected(at, values, omega, decay)[0] ** 2).sum())


def dies_away(left: Floats) -> bool:
    """Whether the last third of a stretch has hardly any of the first third's swinging.

    Noise that drives a resonance goes on; a hundredth of the power is left where something that
    was pushed came to rest.
    """
    third = len(left) // 3
    first, last = left[:third], left[-third:]
    return float(np.var(last)) < DEAD_SHARE * float(np.var(first))


def half_cycles_s(time_s: Floats, left: Floats) -> Floats:
    """Return the lengths of the half cycles while it swings by a tenth of its most, shape (n,).

    From crossing to crossing of its mean, between the two readings along the straight line.
    """
    level = left - left[-len(left) // 3 :].mean()
    before = np.flatnonzero(np.signbit(level[:-1]) != np.signbit(level[1:]))
    share = level[before] / (level[before] - level[before + 1])
    crossings = time_s[before] + share * (time_s[before + 1] - time_s[before])
    tops = [
        float(np.abs(level[begin + 1 : end + 1]).max()) for begin, end in pairwise(before.tolist())
    ]
    is_swinging = np.array(tops) > 0.1 * float(np.abs(level).max())
    return np.asarray(np.diff(crossings)[is_swinging])


def dry_decay_gain(time_s: Floats, values: Floats, fit: DecayFit) -> tuple[float, Floats]:
    """Return by how much a linear envelope describes readings better than an exponential one.

    Twice the logarithm of their likelihoods' ratio, and what the linear one leaves: dry friction
    takes the same off each swing.
    """
    at = time_s - time_s[0]
    own = float((fit.residuals**2).sum())
    best, best_left = math.inf, fit.residuals
    for end in np.geomspace(0.1, 4.0, 24) * float(at[-1]):
        envelope = np.maximum(1.0 - at / end, 0.0)
        for omega in fit.omega + fit.omega_uncertainty * np.array([-2.0, 0.0, 2.0]):
            design = np.stack(
                [
                    envelope * np.cos(omega * at),
                    envelope * np.sin(omega * at),
                    np.ones(len(at)),
                    at - at[-1] / 2.0,
                ],
                axis=1,
            )
            left = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
            if (squares := float((left**2).sum())) < best:
                best, best_left = squares, left
    return len(at) * math.log(own / best), best_left


def fit_noise_driven(time_s: Floats, values: Floats, omega: float) -> NoiseFit | None:
    """Return the resonance near `omega` by the likelihood of the spectrum (Whittle)."""
    n = len(time_s)
    length = float(time_s[-1] - time_s[0])
    even = np.linspace(time_s[0], time_s[-1], n)
    left = line_residual(even, np.interp(even, time_s, values))
    power = np.abs(np.fft.rfft(left)[1:-1]) ** 2 / n
    at = 2.0 * math.pi * np.fft.rfftfreq(n, length / (n - 1))[1:-1]
    inside = at > 0.25 * omega
    power, at = power[inside], at[inside]
    if len(at) < 20:
        return None
    step = length / (n - 1)

    def shape(logs: Floats) -> Floats:
        natural, damping = np.exp(logs[0]), np.exp(logs[1])
        # Sampled: the resonance folded at the highest frequency, once.
        folded = 2.0 * math.pi / step - at
        return np.asarray(
            sum(
                natural**4 / ((natural**2 - w**2) ** 2 + (2.0 * damping * natural * w) ** 2)
                for w in (at, folded)
            )
        )

    # Imported here, as above.
    from scipy.optimize import minimize  # noqa: PLC0415

    def cost(logs: Floats) -> float:
        spectrum = np.exp(logs[2]) * shape(logs) + np.exp(logs[3])
        return float((np.log(spectrum) + power / spectrum).sum())

    white = float(np.median(power[at > 2.0 * omega])) / 0.69 if (at > 2.0 * omega).any() else 1.0
    best = None
    for damping in (0.003, 0.02, 0.1):
        start = np.array([math.log(omega), math.log(damping), 0.0, math.log(max(white, 1e-300))])
        start[2] = math.log(max(float(power.max()) * (2.0 * damping) ** 2, 1e-300))
        found = minimize(
            cost,
            start,
            method="Nelder-Mead",
            options={"maxiter": 1500, "xatol": 1e-5, "fatol": 1e-6},
        )
        if best is None or found.fun < best.fun:
            best = found
    assert best is not None
    curvature = _hessian(cost, best.x)
    try:
        cov = np.linalg.inv(curvature)
    except np.linalg.LinAlgError:
        return None
    if cov[0, 0] <= 0.0 or cov[1, 1] <= 0.0:
        return None

    def log_amplitude(logs: Floats) -> float:
        return 0.5 * math.log(4.0 * float((np.exp(logs[2]) * shape(logs)).sum()) / n)

    # What the likelihood knows of the resonance, carried to its amplitude (JCGM 100, 5.1.2).
    slope = np.array(
        [(log_amplitude(best.x + e) - log_amplitude(best.x - e)) / 2e-4 for e in 1e-4 * np.eye(4)]
    )
    return NoiseFit(
        omega=float(np.exp(best.x[0])),
        damping=float(np.exp(best.x[1])),
        log_omega_uncertainty=float(np.sqrt(cov[0, 0])),
        log_damping_uncertainty=float(np.sqrt(cov[1, 1])),
        amplitude=math.exp(log_amplitude(best.x)),
        log_amplitude_uncertainty=math.sqrt(max(float(slope @ cov @ slope), 0.0)),
    )


def _hessian(cost: object, at: Floats, *, step: float = 1e-3) -> Floats:
    assert callable(cost)
    n = len(at)
    steps = np.full(n, step)
    steps[0] = 1e-4
    out = np.empty((n, n))
    for i in range(n):
        for j in range(n):
            e, f = np.zeros(n), np.zeros(n)
            e[i], f[j] = steps[i], steps[j]
            out[i, j] = (
                cost(at + e + f) - cost(at + e - f) - cost(at - e + f) + cost(at - e - f)
            ) / (4.0 * steps[i] * steps[j])
    return out
