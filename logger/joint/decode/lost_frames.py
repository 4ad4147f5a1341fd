"""Frames that were lost, by the counters that frames carry. Pure.

The number that each counter had last is the state, so that any chunking of the frames finds the
same losses. A frame that was received damaged is not lost: it counts as the one that is missing.
A loss of exactly as many frames as the counter has numbers cannot be seen, nor one in a silence
that is too long; a repeated number is no loss.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Ints, to_ns
from logger.joint.batch import FrameBatch
from logger.joint.bench.frame_checks import FrameCounter
from logger.joint.bench.frame_match import FrameMatch
from logger.joint.decode.checksums import DamagedFrames
from logger.joint.decode.raw_values import raw_values

__all__ = ["CounterPlan", "CounterState", "LostFrames", "find_lost", "plan_counters"]

KNOWN_FOR_NS: Final = 1_000_000_000
"""After a longer silence a joint may have been switched off and on: its counter begins anew. The
silence itself is a gap of the recording."""
_PERIODS_OF_JITTER: Final = 4
_TIMES_FASTER: Final = 3
"""A counter that went on by more frames than could be sent, three times as fast as the layout says
and four more, was set anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterPlan:
    """One counter: of one kind of frame, or of all kinds of an identifier."""

    match_numbers: tuple[int, ...]
    counter: FrameCounter
    period_ns: int | None
    """How often it goes on, at least; None: unknown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterState:
    """The newest frame of a counter."""

    time_ns: int
    number: int
    damaged: int = 0
    """Damaged frames since then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LostFrames:
    """Frames that are missing before one frame."""

    row: int
    """Index of that frame in the batch."""
    match_number: int
    """The match of that frame."""
    count: int


def plan_counters(frame_matches: Sequence[FrameMatch]) -> tuple[CounterPlan, ...]:
    """Return the counters of some matches, numbered in their order."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for number, match in enumerate(frame_matches):
        counter = match.counter
        if counter is None:
            continue
        identity = (match.bus, match.extended, match.identifier, match.mask)
        kind = () if counter.across_kinds else (match.bits, match.expected, match.length)
        groups.setdefault((*identity, *kind, counter), []).append(number)
    plans = []
    for numbers in groups.values():
        counter = frame_matches[numbers[0]].counter
        assert counter is not None, "only these are grouped"
        periods = {frame_matches[number].period_s for number in numbers}
        known = [period for period in periods if period is not None]
        plans.append(
            CounterPlan(
                match_numbers=tuple(numbers),
                counter=counter,
                # Kinds together come more often than the fastest of them.
                period_ns=to_ns(1.0 / sum(1.0 / period for period in known))
                if len(known) == len(periods)
                else None,
            )
        )
    return tuple(plans)


def find_lost(
    plans: Sequence[CounterPlan],
    states: Mapping[int, CounterState],
    frames: FrameBatch,
    match_number: Ints,
    damaged: DamagedFrames,
) -> tuple[list[LostFrames], dict[int, CounterState]]:
    """Return what is missing in a batch of frames, and the states of the counters after it.

    Parameters
    ----------
    states
        Index of a counter in `plans` -> its state; one without begins.
    match_number
        Of each frame, shape (n,); damaged ones have none.
    """
    lost: list[LostFrames] = []
    after = dict(states)
    for index, plan in enumerate(plans):
        is_mine = np.isin(match_number, plan.match_numbers)
        rows = np.flatnonzero(is_mine)
        its_damaged = np.sort(damaged.rows[np.isin(damaged.match_numbers, plan.match_numbers)])
        state = states.get(index)
        if not len(rows):
            if state is not None and len(its_damaged):
                after[index] = CounterState(
                    time_ns=state.time_ns,
                    number=state.number,
                    damaged=state.damaged + len(its_damaged),
                )
            continue
        time_ns = frames.time_ns[rows]
        number = raw_values(frames.data[rows], plan.counter)
        # Damaged frames before each of these rows, since the batch began.
        before = np.searchsorted(its_damaged, rows)
        damaged_between = np.diff(before, prepend=0 if state is None else -state.damaged)
        first = 1 if state is None else 0
        previous = (number[0], time_ns[0]) if state is None else (state.number, state.time_ns)
        missing = _missing_frames(
            plan,
            np.diff(number, prepend=previous[0]),
            np.diff(time_ns, prepend=previous[1]),
        )
        missing = np.maximum(missing - damaged_between, 0)
        lost += [
            LostFrames(
                row=int(rows[place]),
                match_number=int(match_number[rows[place]]),
                count=int(missing[place]),
            )
            for place in (np.flatnonzero(missing[first:]) + first).tolist()
        ]
        after[index] = CounterState(
            time_ns=int(time_ns[-1]),
            number=int(number[-1]),
            damaged=int(len(its_damaged) - before[-1]),
        )
    return lost, after


def _missing_frames(plan: CounterPlan, steps: Ints, silent_ns: Ints) -> Ints:
    """Return how many frames are missing in each step of a counter, shape (n,)."""
    counter = plan.counter
    # An odd step has an inverse modulo a power of two; of a shorter counter it is 1 or -1.
    gone_on = steps * pow(counter.step, -1, counter.modulus) % counter.modulus
    missing = np.maximum(gone_on - 1, 0)
    is_unknown = silent_ns > KNOWN_FOR_NS
    if plan.period_ns is not None:
        can_be_sent = silent_ns * _TIMES_FASTER + _PERIODS_OF_JITTER * plan.period_ns
        is_unknown |= gone_on * plan.period_ns > can_be_sent
    missing[is_unknown] = 0
    return missing
