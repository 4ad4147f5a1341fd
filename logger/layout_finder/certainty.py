"""How sure a claim is: rules from its evidence to a probability. Pure.

The rules order claims by their evidence; how often each rank is right is in `calibration`. Where a
person's typed turn is in doubt, position, speed and load share the doubt, since all their scales
hang on it.
"""

import math
from collections.abc import Sequence
from typing import Final

from logger.layout_finder.load import LoadFit
from logger.layout_finder.motion import SOUND_HALF_TURN, PositionFit
from logger.layout_finder.speed import SpeedFit

__all__ = [
    "CUT_SCALE_CAP",
    "MOST_TEMPERATURE_SCALE",
    "MOST_VOLTAGE_SCALE",
    "SOUND_TURN",
    "counted_place",
    "doubted_turn_scale",
    "load_certainty",
    "place_certainty",
    "position_certainty",
    "scale_choice_certainty",
    "speed_certainty",
]

_MOST: Final = 0.99
CUT_CAP: Final = 0.5
CUT_SCALE_CAP: Final = 0.75
_NONE_OF_THEM: Final = 2.5
_NOTHING_EXPLAINS: Final = 0.45
_LONE_BIT: Final = 0.7
_PARTLY_UNEXPLAINED: Final = 0.8
_RANKS: Final = ((0.95, 0.985), (0.7, 0.93), (0.0, 0.85))
"""By rule, from where on, and how often places are right that have a meaning."""
SOUND_TURN: Final = 0.02
"""How far the typed turn may seem off one turn."""
_DOUBTED_TURN: Final = 0.2
MOST_TEMPERATURE_SCALE: Final = 0.88
MOST_VOLTAGE_SCALE: Final = 0.8
_COMMANDED: Final = 0.6
"""Of a value that is perfectly still at rest: measured or commanded cannot be told."""


def place_certainty(margin_bits: float, order_margin_bits: float, *, several_bytes: bool) -> float:
    """Return how sure the place of a field is, by how much longer every other cut is."""
    cut = 1.0 - 0.5 * math.exp(-max(0.0, margin_bits) / 10.0)
    order = 1.0 - 0.5 * math.exp(-max(0.0, order_margin_bits) / 10.0) if several_bytes else 1.0
    return min(_MOST, cut * order)


def counted_place(
    rule: float, *, named: bool, lone_bit: bool, cut: bool, partly_unexplained: bool
) -> float:
    """Return how often places of a rank are right.

    Parameters
    ----------
    rule
        See `place_certainty`.
    named, lone_bit
        Whether the value has a meaning; whether it is a bit that has none.
    cut
        Bits that nothing explains move right below it.
    partly_unexplained
        Some of its frame move as a number, and nothing explains them: they may be its own.
    """
    if not named:
        return min(rule, _LONE_BIT if lone_bit else _NOTHING_EXPLAINS)
    if cut:
        return min(rule, CUT_CAP)
    counted = next(share for least, share in _RANKS if rule >= least)
    return min(counted, _PARTLY_UNEXPLAINED) if partly_unexplained else counted


def doubted_turn_scale(turn_error: float) -> float:
    """Return how sure a scale is that hangs on the turn; nan: there was no load step."""
    if math.isnan(turn_error):
        return 0.7
    if abs(turn_error) > SOUND_TURN:
        return _DOUBTED_TURN
    return 0.97 if abs(turn_error) < 0.6 * SOUND_TURN else 0.94


def position_certainty(fit: PositionFit, turn_error: float) -> tuple[float, float]:
    """Return how sure meaning and scale of a position are."""
    error = fit.half_turn_error
    if math.isnan(error):
        meaning = 0.75
    elif abs(error) < SOUND_HALF_TURN and fit.closure < 0.015:
        meaning = 0.985
    else:
        meaning = 0.9
    if fit.still_at_rest:
        meaning = min(meaning, _COMMANDED)
    return meaning, doubted_turn_scale(turn_error)


def speed_certainty(fit: SpeedFit, turn_error: float) -> tuple[float, float]:
    """Return how sure meaning and scale of a speed are."""
    if math.isnan(fit.correlation):
        sound = abs(fit.half_turn_error) < SOUND_HALF_TURN and fit.closure < 0.015
        return (0.93 if sound else 0.7), doubted_turn_scale(turn_error)
    meaning = 0.985 if fit.correlation > 0.98 else 0.94 if fit.correlation > 0.95 else 0.75
    scale = doubted_turn_scale(turn_error)
    return meaning, scale if fit.integral_error < 0.015 else min(scale, 0.8)


def load_certainty(fit: LoadFit, turn_error: float) -> tuple[float, float]:
    """Return how sure meaning (current or torque) and scale of a load are."""
    meaning = 0.965 if fit.explained > 0.96 and fit.gravity_share > 0.2 else 0.6
    if fit.nm_per_count is None:
        return meaning, 0.0
    spread = fit.relative_uncertainty
    scale = 0.95 if spread < 0.01 else 0.85 if spread < 0.02 else 0.5
    return meaning, min(scale, doubted_turn_scale(turn_error) + 0.1)


def scale_choice_certainty(strangeness: Sequence[float], most: float) -> tuple[float, ...]:
    """Return how sure each of several matching scales is, each at most `most`."""
    weights = [math.exp(-one) for one in strangeness]
    # None of the usual ones may be right: that counts as one more, and unusual.
    total = sum(weights) + math.exp(-_NONE_OF_THEM) * min(weights, default=1.0)
    return tuple(min(most, weight / total) for weight in weights)
