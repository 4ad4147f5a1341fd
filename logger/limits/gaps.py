"""Which gaps a limit looks over, and when it is not judged: one rule for every kind. Pure.

**A gap** lies between two values further apart than the channel's hold, which is three of its
periods: a slow channel's own pace is no gap.

**Bridged** is a gap of at most an eighth of the time over which a limit looks: its window, its
on-delay, its off-delay. What a limit says of that time then rests on seven eighths of it at least,
and a gap of half a second every twenty does not make a limit on thirty seconds blind. A longer gap
starts that time again. It is one comparison of two neighbouring values, so it does not matter how
the readings are cut into batches.

**Judged** a limit is at a reading of which it has a score, once each of its delays fits between the
newest gap that is not bridged and that reading: only then could it have been raised, or have
returned. (An integral over time needs the reading before as well: of one alone it does not grow.)

**Not judged** it is said to be when the joint has reported for ten seconds longer than the limit
takes to be judged anew (its hold, its window, its longer delay) and it was not judged meanwhile.
Only time in which the joint reports counts: of a joint that says nothing the gap itself is told.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Ints

__all__ = [
    "MIN_NOT_JUDGED_S",
    "CoverageState",
    "CoverageStep",
    "CoverageTerms",
    "ReceivedTime",
    "bridged_ns",
    "coverage_terms",
    "track_coverage",
]

MIN_NOT_JUDGED_S: Final = 10.0
"""How much longer than it takes to be judged anew a limit may go without, unsaid."""
_BRIDGED_SHARE: Final = 8
"""A gap of one part in so many is bridged."""
_RECEIVED_NS: Final = 1_000_000_000
"""Two rows further apart are no time in which the joint reports, beyond that."""


def bridged_ns(hold_ns: int, span_ns: int) -> int:
    """Return how far apart two values may be over a span that a limit looks over."""
    return max(hold_ns, span_ns // _BRIDGED_SHARE)


@dataclass(frozen=True, slots=True)
class CoverageTerms:
    """What a limit needs to be judged on its joint."""

    hold_ns: int
    """Of its scores."""
    delays_ns: tuple[int, ...] = ()
    """Those of its delays that are not 0."""
    of_pairs: bool = False
    """A score says something only together with the one before."""
    not_judged_after_ns: int = 0
    """How long it may go without being judged while the joint reports."""


def coverage_terms(
    hold_ns: int, *, window_ns: int, delays_ns: tuple[int, ...], of_pairs: bool
) -> CoverageTerms:
    """Return what a limit needs that looks back over a window before it has a score, 0 for none."""
    longest_ns = max(delays_ns, default=0)
    return CoverageTerms(
        hold_ns=hold_ns,
        delays_ns=tuple(delay_ns for delay_ns in delays_ns if delay_ns),
        of_pairs=of_pairs,
        not_judged_after_ns=round(MIN_NOT_JUDGED_S * 1e9) + hold_ns + window_ns + longest_ns,
    )


class ReceivedTime:
    """For how long a joint has reported at each of the n rows of a batch, gaps left out."""

    def __init__(
        self, time_ns: Ints, last_row_ns: int | None, before_ns: int, *, longest_hold_ns: int
    ) -> None:
        """Go on from the joint's newest row before, None for none, and what it had reported.

        `longest_hold_ns`: of the joint's channels; so long a row counts, and a second at least.
        """
        self.time_ns = time_ns
        self._before_ns = before_ns
        self._most_ns = max(longest_hold_ns, _RECEIVED_NS)
        self._received_ns: Ints | None = None
        self._begin_ns = last_row_ns
        if len(time_ns) and last_row_ns is None:
            self._begin_ns = int(time_ns[0])

    def at_row(self, row: int) -> int:
        """Return it at one row; the same number as `at_rows` has there, mostly without arrays."""
        assert self._begin_ns is not None, "there is a row"
        span_ns = int(self.time_ns[row]) - self._begin_ns
        if span_ns <= self._most_ns:
            return self._before_ns + span_ns
        return int(self.at_rows[row])

    @property
    def at_rows(self) -> Ints:
        """It at every row, shape (n,)."""
        if self._received_ns is None:
            if self._begin_ns is None:
                return np.empty(0, np.int64)
            steps = np.diff(self.time_ns, prepend=self._begin_ns)
            self._received_ns = self._before_ns + np.cumsum(np.minimum(steps, self._most_ns))
        return self._received_ns

    @property
    def total_ns(self) -> int:
        """It after the batch."""
        return self.at_row(-1) if len(self.time_ns) else self._before_ns


@dataclass(frozen=True, slots=True)
class CoverageState:
    """What is remembered of one limit from one batch to the next."""

    judged_ns: int
    """When it was judged last; at first the start."""
    judged_received_ns: int = 0
    """For how long the joint had reported then."""
    last_ns: int | None = None
    """Time of its newest score."""
    begun_ns: tuple[int, ...] = ()
    """For each of its delays the first score since the newest gap that it does not bridge."""
    blind: bool = False
    """Whether it was said that it is not judged."""


@dataclass(frozen=True, slots=True)
class CoverageStep:
    """A limit is not judged from here on, or is judged again."""

    row: int
    """Of the batch."""
    time_ns: int
    judged: bool
    since_ns: int
    """When it was judged last before."""


def track_coverage(
    terms: CoverageTerms,
    state: CoverageState,
    time_ns: Ints,
    rows: NDArray[np.intp] | None,
    received: ReceivedTime,
) -> tuple[list[CoverageStep], CoverageState]:
    """Return where a limit ceases to be judged within a batch and is again, and the state after.

    Parameters
    ----------
    time_ns
        Shape (m,): the times of its scores.
    rows
        Shape (m,): the row of the batch of each; None: every row has one.
    """
    after_ns, total_ns = terms.not_judged_after_ns, received.total_ns
    lately = not state.blind and total_ns - state.judged_received_ns < after_ns
    if lately and len(time_ns) == 0:
        return [], state
    if lately and _is_without_gap(terms, state, int(time_ns[-1])):
        # Judged so lately that nothing is to be said, and the newest score decides: all but always.
        return [], _after_newest(terms, state, int(time_ns[-1]), rows, received)
    judged_scores, only_ends, state = _find_judged(terms, state, time_ns)
    judged_rows = judged_scores if rows is None else rows[judged_scores]
    received_ns = received.at_rows
    if lately or len(received_ns) == 0:
        return [], _judged_at(state, judged_rows, received)
    # One interval before each of these rows, and one after the last of them.
    stops = np.append(judged_rows, len(received_ns))
    since_received_ns = np.concatenate(([state.judged_received_ns], received_ns[judged_rows]))
    since_ns = np.concatenate(([state.judged_ns], received.time_ns[judged_rows]))
    onsets = np.searchsorted(received_ns, since_received_ns + after_ns)
    is_blind = onsets < stops
    if only_ends:
        is_blind[1:-1] = False
    changes: list[CoverageStep] = []
    if not state.blind and is_blind[0]:
        changes.append(
            _coverage_step(received, int(onsets[0]), judged=False, since_ns=int(since_ns[0]))
        )
    is_blind[0] |= state.blind
    for place in np.flatnonzero(is_blind).tolist():
        if place > 0:
            changes.append(
                _coverage_step(
                    received, int(onsets[place]), judged=False, since_ns=int(since_ns[place])
                )
            )
        if place < len(judged_rows):
            changes.append(
                _coverage_step(
                    received, int(stops[place]), judged=True, since_ns=int(since_ns[place])
                )
            )
    return changes, replace(_judged_at(state, judged_rows, received), blind=bool(is_blind[-1]))


def _coverage_step(
    received: ReceivedTime, row: int, *, judged: bool, since_ns: int
) -> CoverageStep:
    return CoverageStep(row, int(received.time_ns[row]), judged=judged, since_ns=since_ns)


def _is_without_gap(terms: CoverageTerms, state: CoverageState, newest_ns: int) -> bool:
    """Return whether there can be no gap before any of some scores, of which the newest is given.

    Then a score that is judged has only judged ones after it.
    """
    if not terms.delays_ns and not terms.of_pairs:
        return True
    return state.last_ns is not None and newest_ns - state.last_ns <= terms.hold_ns


def _after_newest(
    terms: CoverageTerms,
    state: CoverageState,
    newest_ns: int,
    rows: NDArray[np.intp] | None,
    received: ReceivedTime,
) -> CoverageState:
    """Return the state after scores without a gap."""
    for delay_ns, begun_ns in zip(terms.delays_ns, state.begun_ns, strict=True):
        if newest_ns - begun_ns < delay_ns:
            return replace(state, last_ns=newest_ns)
    row = -1 if rows is None else int(rows[-1])
    return CoverageState(newest_ns, received.at_row(row), newest_ns, state.begun_ns)


def _judged_at(
    state: CoverageState, judged_rows: NDArray[np.intp], received: ReceivedTime
) -> CoverageState:
    if len(judged_rows) == 0:
        return state
    row = int(judged_rows[-1])
    return replace(
        state, judged_ns=int(received.time_ns[row]), judged_received_ns=received.at_row(row)
    )


def _find_judged(
    terms: CoverageTerms, state: CoverageState, time_ns: Ints
) -> tuple[NDArray[np.intp], bool, CoverageState]:
    """Return the indices of the scores at which the limit is judged, and the state after them.

    Between them: whether the indices are only the first and the last of many without a gap.
    """
    n = len(time_ns)
    if n == 0:
        return np.empty(0, np.intp), False, state
    first = state.last_ns is None
    steps = np.diff(time_ns, prepend=int(time_ns[0]) if state.last_ns is None else state.last_ns)
    without_gap = int(steps.max()) <= terms.hold_ns
    begun: list[int] = []
    is_judged = np.ones(0 if without_gap else n, np.bool_)
    from_ns = int(time_ns[0])
    for place, delay_ns in enumerate(terms.delays_ns):
        before_ns = int(time_ns[0]) if first else state.begun_ns[place]
        if without_gap:
            from_ns = max(from_ns, before_ns + delay_ns)
            begun.append(before_ns)
            continue
        breaks = np.flatnonzero(steps > bridged_ns(terms.hold_ns, delay_ns))
        starts = np.concatenate(([before_ns], time_ns[breaks]))
        lengths = np.diff(np.concatenate(([0], breaks, [n])))
        is_judged &= time_ns - np.repeat(starts, lengths) >= delay_ns
        begun.append(int(starts[-1]))
    state = replace(state, last_ns=int(time_ns[-1]), begun_ns=tuple(begun))
    if without_gap:
        begin = int(np.searchsorted(time_ns, from_ns))
        if terms.of_pairs and first:
            begin = max(begin, 1)
        ends = np.unique([begin, n - 1]) if begin < n else np.empty(0, np.intp)
        return ends, True, state
    if terms.of_pairs:
        is_judged &= steps <= terms.hold_ns
        is_judged[0] &= not first
    return np.flatnonzero(is_judged), False, state
