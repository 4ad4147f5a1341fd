"""The temperatures of all steps as a linear function of starts and ambient: one banded solve.

For given parameters the nodes are linear in what they began with and in the ambient, so the whole
recording is T = base + design @ (starts, mean ambient, knots of its drift), by one system of
equations with a band of three below its diagonal. Pure.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg.lapack import dtbtrs

from logger.arrays import Floats, Ints
from logger.joint.thermal.thermal_load import StepResponse
from replay.heat.drift import DriftKnots
from replay.heat.trace import HeatTrace

__all__ = ["Edges", "linear_response", "temperatures_for", "temperatures_of_each"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """The instants between steps: each segment has one more than it has steps."""

    begin: Ints
    """Edge at which each step begins, shape (n,); it ends at the next."""
    starts: Ints
    """First edge of each segment."""
    count: int

    @classmethod
    def of(cls, trace: HeatTrace) -> "Edges":
        """Return the edges of a trace."""
        begin = np.arange(len(trace.segment)) + trace.segment
        first = np.flatnonzero(np.diff(trace.segment, prepend=-1))
        return cls(begin=begin, starts=begin[first], count=len(begin) + trace.segments)


def linear_response(
    response: StepResponse, edges: Edges, knots: DriftKnots
) -> tuple[Floats, Floats]:
    """Return base and design of the temperatures at all edges.

    Returns
    -------
    base
        Shape (edges, nodes): the load's part.
    design
        Shape (edges, nodes, u); the u unknowns are the starts of segment after segment, node after
        node, then the mean ambient, then the knots of its drift.
    """
    nodes = response.free.shape[1]
    starts = len(edges.starts) * nodes
    right = np.zeros((edges.count, nodes, 2 + starts + knots.at_steps.shape[1]), order="C")
    after = edges.begin + 1
    right[after, :, 0] = response.forced
    for number, edge in enumerate(edges.starts):
        for node in range(nodes):
            right[edge, node, 1 + number * nodes + node] = 1.0
    right[after, :, 1 + starts] = response.per_ambient
    right[after, :, 2 + starts :] = response.per_ambient[:, :, None] * knots.at_steps[:, None, :]
    solved = _solve(response.free, edges, right.reshape(edges.count * nodes, -1))
    by_edge = solved.reshape(edges.count, nodes, -1)
    return by_edge[:, :, 0], by_edge[:, :, 1:]


def temperatures_for(
    response: StepResponse, edges: Edges, knots: DriftKnots, unknowns: Floats
) -> Floats:
    """Return the temperatures at all edges for known starts and ambient, shape (edges, nodes)."""
    return np.asarray(temperatures_of_each(response, edges, knots, unknowns, count=1)[0])


def temperatures_of_each(
    response: StepResponse, edges: Edges, knots: DriftKnots, unknowns: Floats, *, count: int
) -> Floats:
    """Return the temperatures that several joints have for the same starts and ambient.

    Parameters
    ----------
    response
        All steps of the first joint, then all of the next: shape (count n, ...).

    Returns
    -------
    numpy.ndarray
        Shape (count, edges, nodes).
    """
    nodes = response.free.shape[1]
    starts = len(edges.starts) * nodes
    ambient = unknowns[starts] + knots.at_steps @ unknowns[starts + 1 :]
    forced = response.forced.reshape(count, -1, nodes)
    per_ambient = response.per_ambient.reshape(count, -1, nodes)
    right = np.empty((count, edges.count, nodes))
    right[:, edges.begin + 1] = forced + per_ambient * ambient[:, None]
    right[:, edges.starts] = unknowns[:starts].reshape(-1, nodes)
    # Joints lie behind each other in one system: none hangs on the one before, since no step
    # begins at the last edge of a segment.
    first = np.arange(count) * edges.count
    every = replace(
        edges, begin=np.add.outer(first, edges.begin).ravel(), count=count * edges.count
    )
    return _solve(response.free, every, right.reshape(-1, 1)).reshape(count, edges.count, nodes)


def _solve(free: Floats, edges: Edges, right: Floats) -> Floats:
    """Solve T[after] - free @ T[before] = right for all edges in order.

    One edge after the other, as a triangle is solved. A pivot would be sought among steps that
    grow beyond all numbers where the copper's feedback runs away, and none be found.
    """
    nodes = free.shape[1]
    band = np.zeros((2 * nodes, edges.count * nodes))
    band[0] = 1.0
    for row in range(nodes):
        for column in range(nodes):
            band[nodes + row - column, edges.begin * nodes + column] = -free[:, row, column]
    solved, _ = dtbtrs(band, np.asfortranarray(right), uplo="L", diag="U", overwrite_b=True)
    return np.ascontiguousarray(solved)
