"""Cycles as they come, in any chunking: state in, state out. Pure.

While the course has not shown how its cycles are counted, readings wait (at most `MOST_PENDING`);
then those that waited are counted as well. Where an encoder lost its turns the positions before are
about another zero, and the rule is learned anew, or kept where it counts as many; so it is where a
course leaves what it was learned from, or does not rise for long.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise, repeat
from typing import Final

import numpy as np

from logger.arrays import Ints, to_ns, to_s
from logger.campaign.cycle_figures import cycle_figures
from logger.campaign.cycle_kind import cycle_kind, missing_in_s, unseen_before_s
from logger.campaign.cycle_plan import Cycle, CyclePlan
from logger.campaign.cycle_rule import CycleRule, find_rises, learn_rule
from logger.campaign.open_cycle import OpenCycle, joined_readings
from logger.campaign.recording_breaks import RecordingBreaks
from logger.joint.batch import ReadingBatch

__all__ = ["CycleFinder"]

MOST_PENDING: Final = 1 << 18
"""Readings that wait for a rule: 33 minutes of a joint with 130 frames a second."""
FIRST_ATTEMPT: Final = 1000
"""Readings after which a rule is looked for, then after half as many more each time."""
_MOST_LEARNED: Final = 1 << 14
_REMEMBERED: Final = 15
"""Cycles whose median duration the next is compared with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleFinder:
    """What is remembered between two batches; the default is that of a beginning."""

    rule: CycleRule | None = None
    """By which cycles are counted, or were before the encoder lost its turns."""
    is_learning: bool = True
    is_new_zero: bool = False
    """The positions that wait may be about another zero than those of the rule."""
    pending: tuple[ReadingBatch, ...] = ()
    pending_rows: int = 0
    next_attempt: int = FIRST_ATTEMPT
    side: int = 0
    segment: int | None = None
    learned_ns: int = 0
    """The newest reading by which the rule was learned or found to hold."""
    number: int = 0
    """Cycles that have ended."""
    open: OpenCycle = field(default_factory=OpenCycle)
    course_ns: int | None = None
    """The newest reading of the course."""
    breaks: RecordingBreaks = field(default_factory=RecordingBreaks)
    """Those in the recording that are ahead, or that readings still wait beside."""
    durations_s: tuple[float, ...] = ()

    @classmethod
    def after_cycle(
        cls,
        plan: CyclePlan,
        *,
        number: int,
        end_ns: int,
        durations_s: tuple[float, ...],
        rule: CycleRule | None,
        learned_ns: int,
        before: ReadingBatch,
        breaks: RecordingBreaks,
    ) -> "CycleFinder":
        """Return what was remembered when a cycle that is recorded had just ended.

        The readings since then, fed to it, give the cycles of a finder that never stopped.

        Parameters
        ----------
        durations_s
            Of the newest cycles in order, it included.
        rule, learned_ns
            By which it was counted and until when that was learned; None: by what somebody said.
        before
            The readings up to its end, from `LONGEST_LOOK_BACK_NS` or the longest hold before it.
        breaks
            Those in the recording, from there on.
        """
        known = before.position_segment[before.position_segment >= 0]
        rule = plan.rule or rule
        earlier = _needed_columns(before.select_rows(before.time_ns < end_ns), plan)
        course_ns = earlier.channel_series(plan.course)[0] if plan.course else np.array([end_ns])
        begun = np.full(len(course_ns[-1:]), end_ns)
        unseen_s = unseen_before_s(plan, course_ns[-1:], begun, breaks)
        return cls(
            rule=rule,
            is_learning=rule is None,
            side=1,
            segment=int(known[-1]) if len(known) else None,
            learned_ns=learned_ns,
            number=number,
            open=OpenCycle()
            .hold(plan, earlier, breaks)
            .followed_at(end_ns, unseen_s=float(unseen_s[0]) if len(unseen_s) else math.inf),
            breaks=breaks,
            durations_s=durations_s[-_REMEMBERED:],
        )

    @property
    def start_ns(self) -> int | None:
        """Where the open cycle began; None before the first."""
        return self.open.start_ns

    def feed(
        self,
        plan: CyclePlan,
        readings: ReadingBatch,
        *,
        starts_ns: Ints | None = None,
        breaks: RecordingBreaks | None = None,
    ) -> tuple[tuple[Cycle, ...], "CycleFinder"]:
        """Return the cycles that end with these readings, and what is remembered.

        Parameters
        ----------
        readings
            Of one joint, later than those before.
        starts_ns
            Where cycles begin, if somebody says so: instants in order, none before a reading of an
            earlier batch, none behind one of a later batch.
        breaks
            In the recording, beside those that are known; at the latest with the first readings
            behind where one begins.
        """
        rows = _needed_columns(readings, plan)
        state = self if breaks is None else replace(self, breaks=self.breaks.joined(breaks))
        cycles, state = state._take_rows(plan, rows, starts_ns)
        return cycles, state._without_past_breaks(plan, rows)

    def _without_past_breaks(self, plan: CyclePlan, rows: ReadingBatch) -> "CycleFinder":
        """Return it without breaks that nothing which is still to be counted lies beside."""
        if not len(self.breaks) or not len(rows):
            return self
        waiting = [int(rows.time_ns[-1]), *(int(one.time_ns[0]) for one in self.pending[:1])]
        waiting += [] if self.start_ns is None else [self.open.stretch_ns]
        oldest_ns = min(waiting) - max(plan.hold_ns.values(), default=0)
        return replace(self, breaks=self.breaks.after(oldest_ns))

    def _take_rows(
        self, plan: CyclePlan, rows: ReadingBatch, starts_ns: Ints | None
    ) -> tuple[tuple[Cycle, ...], "CycleFinder"]:
        if plan.course is None:
            starts = np.empty(0, np.int64) if starts_ns is None else starts_ns
            places = np.searchsorted(rows.time_ns, starts).tolist()
            begun = zip(places, starts.tolist(), repeat(0.0), strict=False)
            return _count(plan, self, rows, begun)
        cycles: list[Cycle] = []
        state = self
        if plan.rule is not None and state.rule is None:
            state = replace(state, rule=plan.rule, is_learning=False)
        for piece, is_new in _by_segment(plan, state, rows):
            if is_new:
                # Positions are about another zero; a rule that was stated holds all the same.
                waited, state = state.finish(plan)
                cycles += waited
                is_learning = plan.rule is None
                state = replace(state, is_learning=is_learning, next_attempt=FIRST_ATTEMPT)
                state = replace(state, is_new_zero=is_learning)
            found, state = _advance(plan, state, piece)
            cycles += found
        return tuple(cycles), state

    def finish(self, plan: CyclePlan) -> tuple[tuple[Cycle, ...], "CycleFinder"]:
        """Return the cycles among readings that still wait: at the end, nothing else will come."""
        if not self.is_learning or not self.pending or plan.course is None:
            return (), self
        waiting = joined_readings(self.pending)
        rule = _attempt(plan, self, waiting)
        if rule is None and not (self.is_new_zero and _leaves(self.rule, plan, waiting)):
            rule = self.rule
        state = replace(self, pending=(), pending_rows=0)
        if rule is None:
            return (), state
        side = self.side if rule.counts_like(self.rule) else 0
        return _by_rule(plan, replace(state, rule=rule, side=side, is_learning=False), waiting)


def _needed_columns(readings: ReadingBatch, plan: CyclePlan) -> ReadingBatch:
    return replace(
        readings,
        columns={name: readings.columns[name] for name in plan.hold_ns if name in readings.columns},
    )


def _by_segment(
    plan: CyclePlan, state: CycleFinder, rows: ReadingBatch
) -> list[tuple[ReadingBatch, bool]]:
    """Return readings split where positions are about another zero, and which pieces begin so."""
    if plan.course != "position_rad" or not len(rows):
        return [(rows, False)]
    segment = rows.position_segment
    at = np.flatnonzero(segment >= 0)
    if not len(at):
        return [(rows, False)]
    known = segment[at]
    before = np.concatenate([[known[0] if state.segment is None else state.segment], known[:-1]])
    cuts = at[known != before].tolist()
    return [
        (rows.select_rows(slice(first, last)), first in cuts)
        for first, last in pairwise([0, *cuts, len(rows)])
        if last > first
    ]


def _advance(
    plan: CyclePlan, state: CycleFinder, rows: ReadingBatch
) -> tuple[list[Cycle], CycleFinder]:
    """Take readings of one segment: count them, or let them wait for a rule."""
    if plan.course == "position_rad":
        known = rows.position_segment[rows.position_segment >= 0]
        if len(known):
            state = replace(state, segment=int(known[-1]))
    cycles: list[Cycle] = []
    at = 0
    while at < len(rows):
        if not state.is_learning:
            left = rows.select_rows(slice(at, None))
            same = _other_movement(plan, state, left)
            found, state = _by_rule(plan, state, left.select_rows(slice(same)))
            cycles += found
            state = replace(state, is_learning=same < len(left))
            at += same
            continue
        until = min(len(rows), at + state.next_attempt - state.pending_rows)
        state = replace(
            state,
            pending=(*state.pending, rows.select_rows(slice(at, until))),
            pending_rows=state.pending_rows + until - at,
        )
        at = until
        if state.pending_rows == state.next_attempt:
            found, state = _learn(plan, state)
            cycles += found
    return cycles, state


def _learn(plan: CyclePlan, state: CycleFinder) -> tuple[tuple[Cycle, ...], CycleFinder]:
    """Look for a rule in what waits; count it then, or give up the older half of too much."""
    waiting = joined_readings(state.pending)
    rule = _attempt(plan, state, waiting)
    if rule is not None:
        learned = replace(
            state,
            side=state.side if rule.counts_like(state.rule) else 0,
            rule=rule,
            is_learning=False,
            is_new_zero=False,
            pending=(),
            pending_rows=0,
            next_attempt=FIRST_ATTEMPT,
            learned_ns=int(waiting.time_ns[-1]),
        )
        return _by_rule(plan, learned, waiting)
    if state.pending_rows < MOST_PENDING:
        following = min(state.next_attempt * 3 // 2, MOST_PENDING)
        return (), replace(state, pending=(waiting,), next_attempt=following)
    half = MOST_PENDING // 2
    found, state = _by_rule(plan, state, waiting.select_rows(slice(half)))
    return found, replace(
        state,
        pending=(waiting.select_rows(slice(half, None)),),
        pending_rows=half,
        next_attempt=half * 3 // 2,
    )


def _leaves(rule: CycleRule | None, plan: CyclePlan, waiting: ReadingBatch) -> bool:
    """Return whether a course is elsewhere than where a rule was learned."""
    _, values = waiting.channel_series(plan.course or "")
    lowest, highest = rule.widest if rule is not None else (-np.inf, np.inf)
    return bool(((values < lowest) | (values > highest)).any())


def _attempt(plan: CyclePlan, state: CycleFinder, waiting: ReadingBatch) -> CycleRule | None:
    time_ns, values = waiting.channel_series(plan.course or "")
    every = max(1, -(-len(values) // _MOST_LEARNED))
    return learn_rule(plan.course or "", time_ns[::every], values[::every], known=state.rule)


def _other_movement(plan: CyclePlan, state: CycleFinder, rows: ReadingBatch) -> int:
    """Return how many readings come before the movement may be another; all where it is not."""
    rule = state.rule
    values = rows.columns.get(plan.course or "")
    if rule is None or rule.typical_s is None or values is None:
        return len(rows)
    lowest, highest = rule.widest
    at = np.flatnonzero(~np.isnan(values))
    beyond = at[(values[at] < lowest) | (values[at] > highest)]
    first = int(beyond[0]) if len(beyond) else len(rows)
    rises, _ = find_rises(values[at], rule.low, rule.high, state.side)
    risen_ns = rows.time_ns[at[rises]]
    if state.start_ns is not None:
        risen_ns = np.concatenate([[max(state.start_ns, state.learned_ns)], risen_ns])
    if len(risen_ns):
        until_ns = risen_ns + to_ns(rule.longest_wait_s)
        # The first reading after each that is too late, unless another rise comes before it.
        late = np.searchsorted(rows.time_ns, until_ns, "right")
        next_rise = np.append(np.searchsorted(rows.time_ns, risen_ns[1:], "left"), len(rows))
        missed = late[late <= next_rise]
        missed = missed[missed < len(rows)]
        first = min(first, int(missed[0]) if len(missed) else first)
    return first


def _by_rule(
    plan: CyclePlan, state: CycleFinder, rows: ReadingBatch
) -> tuple[tuple[Cycle, ...], CycleFinder]:
    rule = state.rule
    values = rows.columns.get(plan.course or "")
    if rule is None or values is None:
        return _count(plan, state, rows, ())
    at = np.flatnonzero(~np.isnan(values))
    rises, side = find_rises(values[at], rule.low, rule.high, state.side)
    known_ns = rows.time_ns[at]
    before_ns = known_ns[:1] if state.course_ns is None else [state.course_ns]
    before_ns = np.append(before_ns, known_ns)[:-1][rises] if len(at) else known_ns
    unseen_s = unseen_before_s(plan, before_ns, known_ns[rises], state.breaks)
    if len(at):
        state = replace(state, course_ns=int(known_ns[-1]))
    begun = zip(at[rises].tolist(), known_ns[rises].tolist(), unseen_s.tolist(), strict=True)
    return _count(plan, replace(state, side=side), rows, begun)


def _count(
    plan: CyclePlan, state: CycleFinder, rows: ReadingBatch, begun: Iterable[tuple[int, int, float]]
) -> tuple[tuple[Cycle, ...], CycleFinder]:
    """Close a cycle where another begins (row, time, unseen before); hold what lies behind."""
    cycles: list[Cycle] = []
    first = 0
    for place, start_ns, unseen_s in begun:
        state = _hold(plan, state, rows.select_rows(slice(first, place)))
        if state.start_ns is not None:
            cycle, state = _close(plan, state, state.start_ns, start_ns)
            cycles.append(cycle)
        state = replace(state, open=state.open.followed_at(start_ns, unseen_s=unseen_s))
        first = place
    return tuple(cycles), _hold(plan, state, rows.select_rows(slice(first, None)))


def _hold(plan: CyclePlan, state: CycleFinder, rows: ReadingBatch) -> CycleFinder:
    return replace(state, open=state.open.hold(plan, rows, state.breaks))


def _close(
    plan: CyclePlan, state: CycleFinder, start_ns: int, end_ns: int
) -> tuple[Cycle, CycleFinder]:
    done = state.open.sum_until(plan, end_ns, state.breaks)
    duration_s = to_s(end_ns - start_ns)
    usual_s = float(np.median(state.durations_s)) if state.durations_s else None
    if usual_s is None and state.rule is not None:
        usual_s = state.rule.typical_s
    missing_s = missing_in_s(plan, done.sums, end_ns - start_ns, unseen_s=done.unseen_s)
    cycle = Cycle(
        number=state.number + 1,
        start_ns=start_ns,
        end_ns=end_ns,
        kind=cycle_kind(duration_s, usual_s=usual_s, missing_s=missing_s, unseen_s=done.unseen_s),
        figures=cycle_figures(done.sums, plan.figures, duration_s=duration_s, missing_s=missing_s),
    )
    return cycle, replace(
        state,
        number=cycle.number,
        durations_s=(*state.durations_s, duration_s)[-_REMEMBERED:],
        open=done,
    )
