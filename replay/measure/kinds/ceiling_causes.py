"""What holds a ceiling: each cause with how well it describes the holds. Pure.

A cause says what stands still: current, torque or speed at one value, speed with the supply, or
current along a derating line over temperature. Per cause a chi-square against the scatter that was
measured, and what its unknowns cost (Schwarz). Causes that differ by little are named together.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from scipy.special import gammaincc

from logger.arrays import Floats
from replay.measure.kinds.holds import AskedHold

__all__ = ["Cause", "CauseScore", "score_causes", "standing_causes"]

STILL_SHARE: Final = 0.003
"""How still a ceiling stands at best, of its value."""
TOGETHER: Final = 6.0
"""Scores that differ by less are named together."""
IMPOSSIBLE: Final = 1e-3
"""Probability of the best chi-square below which no cause here describes the holds."""
LEAST_SPAN_K: Final = 5.0
LEAST_SAG: Final = 0.01


class Cause(StrEnum):
    """What a ceiling is of."""

    CURRENT = "current"
    TORQUE = "torque"
    SPEED = "speed"
    SUPPLY = "supply"
    """Speed falls with the supply's voltage and with what the winding drops of it."""
    TEMPERATURE = "temperature"
    """Current is taken back above a temperature."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseScore:
    """One cause, and how well it describes the holds."""

    cause: Cause
    score: float
    """Chi-square and what the unknowns cost: the smaller, the better."""
    chi_square: float
    dof: int


def score_causes(holds: Sequence[AskedHold]) -> list[CauseScore]:
    """Return every cause that the holds can speak of, the best first."""
    n = len(holds)
    scores = []
    for cause, channel in (
        (Cause.CURRENT, "current_A"),
        (Cause.TORQUE, "torque_Nm"),
        (Cause.SPEED, "speed_rad_s"),
    ):
        rows = _channel_rows(holds, channel)
        if rows is not None and not _is_exceeded(holds, channel):
            scores.append(_scored(cause, *rows, np.ones((n, 1))))
    supply = _supply(holds)
    if supply is not None:
        scores.append(supply)
    scores += _derated(holds)
    return sorted(scores, key=lambda one: one.score)


def standing_causes(scores: Sequence[CauseScore]) -> list[Cause]:
    """Return the causes that cannot be told apart, the best first; none where none fits."""
    if not scores:
        return []
    best = scores[0]
    if best.dof > 0 and gammaincc(best.dof / 2.0, best.chi_square / 2.0) < IMPOSSIBLE:
        return []
    return list(dict.fromkeys(one.cause for one in scores if one.score - best.score < TOGETHER))


def _channel_rows(holds: Sequence[AskedHold], channel: str) -> tuple[Floats, Floats] | None:
    """Return means and their scatter of a channel, None where a hold lacks it or it is nothing."""
    if not all(channel in one.mean for one in holds):
        return None
    values = np.array([one.mean[channel] for one in holds])
    if not values.mean() > 0.0:
        return None
    scatter = np.array([one.scatter[channel] for one in holds])
    return values, np.hypot(scatter, STILL_SHARE * values.mean())


def _is_exceeded(holds: Sequence[AskedHold], channel: str) -> bool:
    """Whether the channel was well above its level on the way there, in most of the holds."""
    return 2 * sum(channel in one.exceeded for one in holds) > len(holds)


def _scored(cause: Cause, values: Floats, scatter: Floats, design: Floats) -> CauseScore:
    weighted = design / scatter[:, None]
    found = np.linalg.lstsq(weighted, values / scatter, rcond=None)[0]
    chi_square = float((((values - design @ found) / scatter) ** 2).sum())
    n, unknowns = design.shape
    return CauseScore(
        cause=cause,
        score=chi_square + unknowns * math.log(n),
        chi_square=chi_square,
        dof=n - unknowns,
    )


def _supply(holds: Sequence[AskedHold]) -> CauseScore | None:
    speed, voltage = _channel_rows(holds, "speed_rad_s"), _channel_rows(holds, "voltage_V")
    if speed is None or voltage is None or np.ptp(voltage[0]) < LEAST_SAG * voltage[0].mean():
        return None
    current = _channel_rows(holds, "current_A")
    columns = [voltage[0]] if current is None else [voltage[0], current[0]]
    # What the voltage is not known to is what the speed may be off by.
    scatter = np.hypot(speed[1], speed[0] * voltage[1] / voltage[0])
    design = np.stack(columns, axis=1)
    found = np.linalg.lstsq(design, speed[0], rcond=None)[0]
    if found[0] <= 0.0 or (len(found) > 1 and found[1] > 0.0):
        design = design[:, :1]
    return _scored(Cause.SUPPLY, speed[0], scatter, design)


def _derated(holds: Sequence[AskedHold]) -> list[CauseScore]:
    out = []
    # A drive takes back current. Torque at one current falls with temperature by itself, as the
    # magnets do, and stands for it only where no current is recorded.
    has_current = _channel_rows(holds, "current_A") is not None
    for channel in ("current_A",) if has_current else ("torque_Nm",):
        rows = _channel_rows(holds, channel)
        if rows is None:
            continue
        for name in sorted({key for one in holds for key in one.mean if key.startswith("temp")}):
            if not all(name in one.mean for one in holds):
                continue
            at = np.array([one.mean[name] for one in holds])
            if np.ptp(at) < LEAST_SPAN_K or len(holds) < 5:
                continue
            bends = np.linspace(at.min(), at.max() - 0.3 * np.ptp(at), 12)
            best = min(
                (_bent(rows, at, bend) for bend in bends),
                key=lambda one: one.chi_square,
            )
            # The bend is an unknown as well.
            best = CauseScore(
                cause=best.cause,
                score=best.score + math.log(len(holds)),
                chi_square=best.chi_square,
                dof=best.dof - 1,
            )
            flat = _scored(best.cause, *rows, np.ones((len(holds), 1)))
            if flat.chi_square - best.chi_square > 16.0:
                out.append(best)
    return out


def _bent(rows: tuple[Floats, Floats], at: Floats, bend: float) -> CauseScore:
    beyond = np.maximum(at - bend, 0.0)
    design = np.stack([np.ones(len(at)), beyond], axis=1)
    weighted = design / rows[1][:, None]
    slope = np.linalg.lstsq(weighted, rows[0] / rows[1], rcond=None)[0][1]
    scored = _scored(Cause.TEMPERATURE, *rows, design)
    if slope < 0.0:
        return scored
    return CauseScore(cause=scored.cause, score=math.inf, chi_square=math.inf, dof=scored.dof)
