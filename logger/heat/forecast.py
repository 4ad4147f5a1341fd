"""Where a joint's temperatures go from here, and when they reach which level. Pure.

Some hundred futures, each a draw of (parameters, state, load): the parameters are the draws of the
model's fit, the state is what the observer leaves open beside each of them, the load goes on as
`load_law` says. A time to a level is told as 5, 50 and 95 % of its first passage over all futures,
inf where so many do not reach it within the hour; "may not reach it" is an answer.

The dice are the same in every forecast, so that neighbouring ones differ by what was seen meanwhile
and not by chance; and a forecast is a function of what was recorded.
"""
# ruff: noqa: N802, N803, N806, N815 - units are written as units are: K is a capital

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.heat.fitted import DRAWS, FittedHeat, step_coefficients
from logger.heat.load_law import DRAWN_S, LoadLaw, LoadLawKind, draw_loads, find_load_law
from logger.heat.observer import NOISE_K, ObserverState
from logger.joint.thermal.thermal_load import LoadSteps, step_response

__all__ = ["HORIZON_S", "Course", "Futures", "Passage", "draw_futures", "upper_degC"]

HORIZON_S: Final = 3600.0
LOADS_EACH: Final = 4
"""Futures of the load for each draw of the parameters."""
_EDGES_S: Final = np.concatenate([np.arange(10.0, 1201.0, 10.0), np.arange(1220.0, 3601.0, 20.0)])
"""Ends of steps: a winding follows its load within tens of seconds, and its peaks count."""
_CYCLE_EDGES_S: Final = np.arange(5.0, 3601.0, 5.0)
"""Of a cyclic load."""
_SETTLED_S: Final = 1e7
AMBIENT_AHEAD_K: Final = 0.6
"""How far the ambient walks within the hour."""
_WALK_SHIFT: Final = 0.5826
_SEED: Final = 20_271
_BAND: Final = (0.05, 0.5, 0.95)


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """When a level is reached, in seconds from now; inf: not within the hour."""

    level_degC: float
    probability: float
    """Of reaching it within the hour."""
    soonest_s: float
    """5 % of the futures reach it sooner."""
    median_s: float
    latest_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Where a temperature goes: 5, 50 and 95 % over the futures."""

    ahead_s: Floats
    """Shape (m,); the first is now."""
    degC: Floats
    """Shape (m, 3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Futures:
    """All futures of one node."""

    law: LoadLaw
    edges_s: Floats
    """Shape (m + 1,); the first is now."""
    degC: Floats
    """Shape (futures, m + 1)."""
    between_K: Floats
    """How far the node goes before an edge beyond it and the one before, as a shift of levels:
    by edge, or shape (futures, m + 1)."""
    settled_degC: tuple[float, float, float]
    """Where it settles if the load goes on with the same mean: 5, 50, 95 %; inf: runaway."""

    def passage(self, level_degC: float, *, count_K: float = 0.0) -> Passage:
        """Return when the node rises to a level.

        `count_K`: the step of the sensor that shows it; a reading is that of its nearest count.
        """
        return self._passage(level_degC, self.degC, self._bound(level_degC, count_K))

    def passage_down(self, level_degC: float) -> Passage:
        """Return when the node falls to a level."""
        return self._passage(level_degC, -self.degC, np.full(len(self.edges_s), -level_degC))

    def _bound(self, level_degC: float, count_K: float) -> Floats:
        """Return what a course has to reach at each edge for the sensor to have shown a level."""
        shown = count_K / 2.0 + (NOISE_K if count_K else 0.0)
        return level_degC - shown - self.between_K

    def _passage(self, level: float, course: Floats, bound: Floats) -> Passage:
        time_s = np.sort(_first_times(self.edges_s, course, bound))
        low, middle, high = time_s[_ranks(len(time_s))].tolist()
        return Passage(
            level_degC=level,
            probability=float(np.isfinite(time_s).mean()),
            soonest_s=low,
            median_s=middle,
            latest_s=high,
        )

    def probability_within(
        self, level_degC: float, within_s: float, *, count_K: float = 0.0
    ) -> float:
        """Return the share of futures that reach a level within a time of at most an hour."""
        time_s = _first_times(self.edges_s, self.degC, self._bound(level_degC, count_K))
        return float((time_s <= within_s).mean())

    def course(self, ahead_s: Floats) -> Course:
        """Return the band of the temperature at some instants within the hour."""
        right = np.clip(np.searchsorted(self.edges_s, ahead_s), 1, len(self.edges_s) - 1)
        share = (ahead_s - self.edges_s[right - 1]) / (
            self.edges_s[right] - self.edges_s[right - 1]
        )
        at = self.degC[:, right - 1] * (1.0 - share) + self.degC[:, right] * share
        return Course(ahead_s=ahead_s, degC=np.asarray(_quantiles(at)))


def draw_futures(fitted: FittedHeat, state: ObserverState, history: Floats) -> tuple[Futures, ...]:
    """Return the futures of each node: of the winding and the housing, or of the only one.

    Parameters
    ----------
    history
        The load of the last seconds, shape (n, 1) or (n, 3): see `load_law.find_load_law`.
    """
    dice = np.random.default_rng(_SEED)
    law = find_load_law(history)
    edges = _CYCLE_EDGES_S if law.kind is LoadLawKind.CYCLIC else _EDGES_S
    each = LOADS_EACH if law.kind is LoadLawKind.HOLDS else 1
    count = DRAWS * each
    joints = np.repeat(np.arange(DRAWS), each)
    begin = _drawn_begin(state, joints, dice)
    load = draw_loads(law, edges, count, dice)
    out = np.empty((fitted.joint.nodes, len(edges) + 1, count))
    out[:, 0] = begin.nodes.T
    with np.errstate(over="ignore", invalid="ignore"):
        # Beyond runaway a late temperature is no number any more: it is over every limit.
        for index, temperatures in enumerate(_stepped(fitted, load.means, edges, begin)):
            out[:, index + 1] = temperatures
    np.nan_to_num(out, copy=False, nan=np.inf, posinf=np.inf)
    return tuple(
        Futures(
            law=law,
            edges_s=np.concatenate([[0.0], edges]),
            degC=course.T,
            between_K=_between_K(fitted, history, edges, node)
            if load.beyond is None
            else _peaks_K(fitted, load.beyond, out[0].T, node),
            settled_degC=_settled(fitted, state, law, node),
        )
        for node, course in enumerate(out)
    )


def upper_degC(
    fitted: FittedHeat, state: ObserverState, history: Floats, node: int, within_s: float
) -> float:
    """Return what no future of a node exceeds: under the highest load so far, held on.

    A tenth of what a forecast costs: where a level lies above it, its probability is 0.
    """
    steps = _constant_load(history.max(axis=0), within_s)
    margin = 4.0 * max(math.sqrt(max(row[at], 0.0)) for at, row in enumerate(state.covariance))
    start = state.mean_degC + margin + 3.0 * AMBIENT_AHEAD_K
    with np.errstate(over="ignore", invalid="ignore"):
        response = step_response(fitted.draws, steps)
        later = np.einsum("kj,kj->k", response.free[:, node], start[:, :-1])
        later += response.forced[:, node] + response.per_ambient[:, node] * start[:, -1]
    # A node that has settled above where the load leads it begins higher than it ends.
    most = np.maximum(np.nan_to_num(later, nan=np.inf, posinf=np.inf), start[:, :-1].max(axis=1))
    return float(most.max())


@dataclass(frozen=True, slots=True)
class _Begin:
    """Where each future begins."""

    joints: NDArray[np.int64]
    """Which draw of the parameters it is of."""
    nodes: Floats
    ambient: Floats


def _drawn_begin(
    state: ObserverState, joints: NDArray[np.int64], dice: np.random.Generator
) -> _Begin:
    values, vectors = np.linalg.eigh(np.array(state.covariance))
    half = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn = state.mean_degC[joints] + dice.standard_normal((len(joints), len(half))) @ half.T
    ambient = drawn[:, -1] + AMBIENT_AHEAD_K * dice.standard_normal(len(joints))
    return _Begin(joints, drawn[:, :-1], ambient)


def _stepped(
    fitted: FittedHeat, load: Floats, edges: Floats, begin: _Begin
) -> Iterator[list[Floats]]:
    """Yield the temperatures of the nodes at each edge, each an array over the futures.

    Steps of one width share their coefficients (`step_coefficients`); within a step the copper's
    resistance is that of its begin.
    """
    widths = np.diff(edges, prepend=0.0)
    nodes = [np.ascontiguousarray(one) for one in begin.nodes.T]
    square, *speeds = (np.ascontiguousarray(load[..., at].T) for at in range(load.shape[2]))
    copper = fitted.joint.winding
    width, drawn = 0.0, None
    for index, next_width in enumerate(widths.tolist()):
        if drawn is None or next_width != width:
            width = next_width
            drawn = step_coefficients(fitted.draws, width).of(begin.joints)
            pushed = [
                drawn.standby[:, at] + drawn.per_ambient[:, at] * begin.ambient
                for at in range(len(nodes))
            ]
        loss = square[index] * (
            1.0 - copper.alpha_per_K * copper.reference_degC + copper.alpha_per_K * nodes[0]
        )
        after = []
        for at in range(len(nodes)):
            warm = pushed[at] + drawn.per_square[:, at] * loss
            for other, temperature in enumerate(nodes):
                warm += drawn.free[:, at, other] * temperature
            if speeds:
                warm += drawn.per_speed[:, at] * speeds[0][index]
                warm += drawn.per_speed_square[:, at] * speeds[1][index]
            after.append(warm)
        nodes = after
        yield nodes


def _between_K(fitted: FittedHeat, history: Floats, edges: Floats, node: int) -> Floats:
    """Return by how much a level is reached sooner than a course shows at its edges.

    Between two edges a load that comes and goes drives a node beyond both. Of a random walk that
    is looked at every d seconds, a level shifted by 0.5826 of its deviation in d is reached as
    often as the level by the walk itself (Broadie, Glasserman and Kou, 1997). That deviation is
    taken from where the load's sum lay half-way, against both ends: of a walk half of it.
    """
    sums = np.concatenate([[0.0], np.cumsum(history[-DRAWN_S:, 0])])
    widths = np.diff(edges, prepend=0.0)
    shift = np.zeros(len(edges) + 1)
    for width in np.unique(widths).tolist():
        half = max(int(width) // 2, 1)
        if len(sums) <= 2 * half:
            continue
        off = sums[half:-half] - 0.5 * (sums[: -2 * half] + sums[2 * half :])
        deviation_K = 2.0 * float(off.std()) * fitted.second.per_square[node]
        shift[1:][widths == width] = _WALK_SHIFT * deviation_K
    return shift


def _peaks_K(fitted: FittedHeat, beyond: Floats, copper_degC: Floats, node: int) -> Floats:
    """Return by how much a node is warmer within each step than its course shows, straight.

    Within some seconds a node gives off nothing of what the load puts into it.
    """
    copper = fitted.joint.winding
    warmer = 1.0 + copper.alpha_per_K * (copper_degC[:, :-1] - copper.reference_degC)
    peaks = np.zeros(copper_degC.shape)
    with np.errstate(over="ignore", invalid="ignore"):
        peaks[:, 1:] = np.nan_to_num(beyond * warmer * fitted.second.per_square[node], posinf=0.0)
    return peaks


def _settled(
    fitted: FittedHeat, state: ObserverState, law: LoadLaw, node: int
) -> tuple[float, float, float]:
    """Return where a node settles under the mean load: the end of a step of many days."""
    steps = _constant_load(law.mean, _SETTLED_S)
    with np.errstate(over="ignore", invalid="ignore"):
        response = step_response(fitted.draws, steps)
        end = response.forced[:, node] + response.per_ambient[:, node] * state.mean_degC[:, -1]
    end = np.where(np.isfinite(end) & (end < 1e4), end, np.inf)
    low, middle, high = _quantiles(end[:, None])[0].tolist()
    return low, middle, high


def _constant_load(load: Floats, duration_s: float) -> LoadSteps:
    """Return one step of a load for every draw."""
    square, speed, speed_square = (*load.tolist(), 0.0, 0.0)[:3]
    return LoadSteps(
        duration_s=np.full(DRAWS, duration_s),
        mean_square_A2=np.full(DRAWS, square),
        mean_speed_rad_s=np.full(DRAWS, speed),
        mean_square_speed_rad2_s2=np.full(DRAWS, speed_square),
    )


def _quantiles(values: Floats) -> Floats:
    """Return 5, 50 and 95 % of n futures: shape (m, 3) for values of shape (n, m)."""
    ordered = np.sort(values, axis=0)
    return np.asarray(ordered[_ranks(len(ordered))].T)


def _ranks(count: int) -> list[int]:
    """Return which of n ordered futures stand for 5, 50 and 95 %.

    What comes is as likely to fall between any two neighbours, or beyond either end, so that n
    futures part the chances into n + 1.
    """
    return [min(max(round(share * (count + 1)), 1), count) - 1 for share in _BAND]


def _first_times(edges_s: Floats, course: Floats, bound: Floats) -> Floats:
    """Return when each course first reaches a bound, straight between edges; inf: it does not."""
    missing = bound - course
    is_over = missing <= 0.0
    first = np.argmax(is_over, axis=1)
    rows = np.arange(len(course))
    before = np.maximum(first - 1, 0)
    here, there = missing[rows, before], missing[rows, first]
    closed = np.where(np.isfinite(there), here - there, 0.0)
    share = np.where(closed > 0.0, here / np.where(closed > 0.0, closed, 1.0), 1.0)
    time_s = edges_s[before] + np.clip(share, 0.0, 1.0) * (edges_s[first] - edges_s[before])
    time_s = np.where(first == 0, 0.0, time_s)
    return np.where(is_over[rows, first], time_s, math.inf)
