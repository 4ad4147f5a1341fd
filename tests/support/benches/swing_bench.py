"""Simulated stretches of what swings: decays after a push, resonances that noise drives."""

import numpy as np

from replay.measure.setup import BenchSetup, JointFacts, SpanTrace

__all__ = ["decay_bound", "decay_values", "noise_driven_values", "swing_setup"]

S = 1_000_000_000


def swing_setup(time_s: np.ndarray, values: np.ndarray, *, count: float = 0.0) -> BenchSetup:
    """Return readings of a position as one span."""
    span = SpanTrace(
        name="swing",
        recording="bench",
        start_ns=0,
        end_ns=round(float(time_s[-1]) * S) + 1,
        series={"position_rad": (time_s, values)},
        grids={"position_rad": count} if count else {},
    )
    return BenchSetup(joint=JointFacts(name="a"), spans=(span,))


def decay_values(
    dice: np.random.Generator,
    time_s: np.ndarray,
    *,
    frequency: float,
    damping: float,
    decibels: float = 20.0,
) -> np.ndarray:
    """Return a decay of amplitude 1 with white noise, so far below half its square at the start."""
    natural = 2 * np.pi * frequency / np.sqrt(1 - damping**2)
    noise = np.sqrt(0.5 * 10 ** (-decibels / 10))
    swing = np.exp(-damping * natural * time_s) * np.cos(
        2 * np.pi * frequency * time_s + dice.uniform(0, 2 * np.pi)
    )
    return dice.uniform(-1, 1) + swing + dice.normal(0, noise, len(time_s))


def decay_bound(
    time_s: np.ndarray, *, frequency: float, damping: float, decibels: float = 20.0
) -> tuple[float, float]:
    """Return the Cramer-Rao bounds (standard deviations) of frequency in Hz and damping ratio."""
    natural = 2 * np.pi * frequency / np.sqrt(1 - damping**2)
    omega, decay = 2 * np.pi * frequency, damping * natural
    noise = np.sqrt(0.5 * 10 ** (-decibels / 10))
    bounds = []
    for phase in np.linspace(0, np.pi, 8, endpoint=False):
        fading = np.exp(-decay * time_s)
        cosine, sine = np.cos(omega * time_s + phase), np.sin(omega * time_s + phase)
        jacobian = np.stack(
            [-time_s * fading * sine, -time_s * fading * cosine, fading * cosine, fading * sine,
             np.ones(len(time_s)), time_s],
            axis=1,
        )  # fmt: skip
        cov = np.linalg.inv(jacobian.T @ jacobian) * noise**2
        by = np.array([-omega * decay, omega**2]) / natural**3
        bounds.append((cov[0, 0] / (2 * np.pi) ** 2, by @ cov[:2, :2] @ by))
    return tuple(np.sqrt(np.mean(bounds, axis=0)))


def noise_driven_values(
    dice: np.random.Generator, time_s: np.ndarray, *, frequency: float, damping: float
) -> np.ndarray:
    """Return a resonance that white noise drives, with white noise of a tenth beside it."""
    fine = 8
    step = (time_s[1] - time_s[0]) / fine
    natural = 2 * np.pi * frequency
    n = len(time_s) * fine
    omegas = 2 * np.pi * np.fft.rfftfreq(n, step)
    gain = natural**2 / (natural**2 - omegas**2 + 2j * damping * natural * omegas)
    driven = np.fft.irfft(np.fft.rfft(dice.normal(size=n)) * gain, n)[::fine]
    return driven / driven.std() + dice.normal(0, 0.1, len(driven))
