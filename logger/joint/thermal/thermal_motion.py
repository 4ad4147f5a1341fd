"""A motion that is repeated, put through many joints at once: where it settles, when it is over.

A pass of the motion takes the temperatures at its begin linearly to those at each instant within
it, so what a pass does is known once for all of them: T(i) = free(i) T(0) + forced(i). Two passes
are one such map after the other, and so are 2^k of them. The nodes only warm one another, so from a
joint that is colder than where it settles each pass is warmer than the one before: the first that
reaches a temperature is found by halving. Pure; temperatures in degC.
"""
# ruff: noqa: N802, N803 - units are written as units are

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, Node, step_response
from logger.joint.thermal.thermal_overload import stacked_joints

__all__ = ["RepeatedMotion"]

_DOUBLINGS: Final = 40


class RepeatedMotion:
    """One motion on j joints of the same number of nodes."""

    def __init__(
        self, joints: Sequence[JointHeat], steps: LoadSteps, *, node: Node, ambient_degC: float
    ) -> None:
        """Put one pass through all joints.

        Parameters
        ----------
        steps
            The n steps of a pass, fine against the joints' fast time constant: temperatures are
            looked at behind each of them.
        node
            Whose temperature counts; with one node that one.
        """
        count, n, nodes = len(joints), len(steps.duration_s), joints[0].nodes
        self._index = 1 if nodes == 2 and node is Node.HOUSING else 0
        self.time_s = np.append(0.0, np.cumsum(steps.duration_s))
        tiled = LoadSteps(
            duration_s=np.tile(steps.duration_s, count),
            mean_square_A2=np.tile(steps.mean_square_A2, count),
            mean_speed_rad_s=np.tile(steps.mean_speed_rad_s, count),
            mean_square_speed_rad2_s2=np.tile(steps.mean_square_speed_rad2_s2, count),
        )
        response = step_response(stacked_joints(joints, n), tiled)
        each = response.free.reshape(count, n, nodes, nodes)
        forced = response.forced + response.per_ambient * ambient_degC
        added = forced.reshape(count, n, nodes)
        self._free = np.empty((count, n + 1, nodes))
        self._forced = np.empty((count, n + 1))
        free = np.broadcast_to(np.eye(nodes), (count, nodes, nodes))
        total = np.zeros((count, nodes))
        # Beyond runaway a late temperature is no number any more: it is over every limit.
        with np.errstate(over="ignore", invalid="ignore"):
            for at in range(n + 1):
                self._free[:, at] = free[:, self._index]
                self._forced[:, at] = total[:, self._index]
                if at < n:
                    free = each[:, at] @ free
                    total = np.einsum("jab,jb->ja", each[:, at], total) + added[:, at]
        self._pass = free, total

    def settled_degC(self) -> Floats:
        """Return the nodes at the begin of a pass once it repeats itself, shape (j, nodes).

        inf for a joint that never settles: the copper's feedback outgrows the cooling.
        """
        free, total = self._pass
        out = np.full(total.shape, math.inf)
        finite = np.isfinite(free).all(axis=(1, 2)) & np.isfinite(total).all(axis=1)
        radius = np.full(len(free), math.inf)
        radius[finite] = np.abs(np.linalg.eigvals(free[finite])).max(axis=1)
        settles = radius < 1.0
        identity = np.eye(free.shape[1])
        out[settles] = np.linalg.solve(identity - free[settles], total[settles][..., None])[..., 0]
        return out

    def hottest_degC(self, start_degC: Floats) -> Floats:
        """Return the highest temperature of the node in a pass from those of all nodes, shape (j,).

        inf from a start that is none.
        """
        with np.errstate(over="ignore", invalid="ignore"):
            course = self._course(start_degC)
        highest = course.max(axis=1)
        return np.where(np.isfinite(highest), highest, math.inf)

    def start_of_pass(self, number: int, start_degC: Floats) -> Floats:
        """Return the nodes at the begin of a pass, counted from 0, shape (j, nodes)."""
        state, (free, total) = start_degC, self._pass
        with np.errstate(over="ignore", invalid="ignore"):
            while number:
                if number & 1:
                    state = _moved(free, total, state)
                free, total, number = free @ free, _moved(free, total, total), number >> 1
        return state

    def first_over_s(self, limit_degC: float, start_degC: Floats) -> Floats:
        """Return when the node first reaches a temperature, shape (j,); inf for never.

        Parameters
        ----------
        start_degC
            Colder than where the joint settles, shape (j, nodes): such as without load.
        """
        never = self.hottest_degC(self.settled_degC()) < limit_degC
        with np.errstate(over="ignore", invalid="ignore"):
            state = np.array(start_degC, np.float64)
            passed = np.zeros(len(state))
            is_begun = self._is_below(limit_degC, state)
            maps = [self._pass]
            for _ in range(_DOUBLINGS - 1):
                free, total = maps[-1]
                maps.append((free @ free, _moved(free, total, total)))
            # As many whole passes as leave a pass below the limit: the next one reaches it.
            for power in reversed(range(_DOUBLINGS)):
                later = _moved(*maps[power], state)
                goes_on = self._is_below(limit_degC, later) & is_begun
                state = np.where(goes_on[:, None], later, state)
                passed += np.where(goes_on, 2.0**power, 0.0)
            state = np.where(is_begun[:, None], _moved(*self._pass, state), state)
            passed += is_begun
            course = self._course(state)
            at = np.argmax(~(course < limit_degC), axis=1)
        rows = np.arange(len(course))
        before = np.maximum(at - 1, 0)
        low, high = course[rows, before], course[rows, at]
        rising = (at > 0) & np.isfinite(high) & (high > low)
        share = np.where(rising, (limit_degC - low) / np.where(rising, high - low, 1.0), 0.0)
        within = self.time_s[before] + np.clip(share, 0.0, 1.0) * (
            self.time_s[at] - self.time_s[before]
        )
        return np.where(never, math.inf, passed * self.time_s[-1] + within)

    def _course(self, start_degC: Floats) -> Floats:
        return np.asarray(
            np.einsum("jim,jm->ji", self._free, np.asarray(start_degC, np.float64)) + self._forced
        )

    def _is_below(self, limit_degC: float, start_degC: Floats) -> NDArray[np.bool_]:
        return np.asarray(self._course(start_degC).max(axis=1) < limit_degC)


def _moved(free: Floats, total: Floats, state: Floats) -> Floats:
    return np.asarray(np.einsum("jab,jb->ja", free, state) + total)
