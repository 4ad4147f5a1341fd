"""Silence of a joint: no row of it, of any kind, for a stated time.

The one limit that a clock can raise: `now_ns` means "every row before this has been processed".
Takes the state in and gives it back; any chunking gives the same changes. The meaning is defined in
evaluate.py.

Gaps are what it watches: it is judged all the time, also where every other limit of the joint is
not. A pause without a recorder is no silence of the joint.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS
from logger.errors import Mistake
from logger.event_kind import EventKind
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.quantities import Display
from logger.limits.kind import JointLimit, LimitForm, PositiveDuration
from logger.limits.levels import DragHandle
from logger.limits.limit_change import LimitChange
from logger.limits.phrases import format_span
from logger.limits.scores import CalmBounds, LimitMemory, LimitState
from logger.limits.series import Series

__all__ = ["Silence", "SilenceState", "step_silence"]


class Silence(JointLimit):
    """A joint must not be silent for so long."""

    kind: Literal["silence"] = "silence"
    after_s: PositiveDuration

    watches_gaps: ClassVar[bool] = True
    measure_unit: ClassVar[Literal["seconds"]] = "seconds"
    form: ClassVar[LimitForm] = LimitForm(
        key="silence",
        words="silence",
        blank={"after_s": 1.0},
        keys={"after_s": ("says nothing for", "s")},
    )
    example: ClassVar[str] = """\
# No frame of the joint, of any kind.
[[limit]]
name     = "silent"
kind     = "silence"
severity = "warning"
after_s  = 0.5
"""

    @property
    def delay_s(self) -> float:
        """See `LimitKind`."""
        return self.after_s

    def initial_state(self, start_ns: int) -> LimitState:
        """See `JointLimit`; it counts from there."""
        return SilenceState(last_ns=start_ns)

    def advance(
        self,
        state: LimitState,
        memory: LimitMemory | None,
        series: Series,
        *,
        joint: str,
        now_ns: int,
    ) -> tuple[list[tuple[int, LimitChange]], LimitState, None]:
        """See `JointLimit`."""
        assert isinstance(state, SilenceState), "`initial_state` pairs them"
        changes, after = step_silence(self, state, series.batch.time_ns, joint=joint, now_ns=now_ns)
        return changes, after, None

    @property
    def calm_step_s(self) -> float:
        """See `JointLimit`."""
        return self.after_s

    def calm_bounds(
        self, state: LimitState, memory: LimitMemory | None, *, at_ns: int, until_ns: int
    ) -> CalmBounds | None:
        """See `JointLimit`."""
        assert isinstance(state, SilenceState), "`initial_state` pairs them"
        return None if state.active else {}

    def changes_alone_ns(self, state: LimitState) -> int:
        """See `JointLimit`."""
        assert isinstance(state, SilenceState), "`initial_state` pairs them"
        return TIME_MAX_NS if state.active else state.last_ns + round(self.after_s * 1e9)

    def raised_state(self, raised_ns: int, peak: float) -> LimitState:
        """See `JointLimit`."""
        return SilenceState(last_ns=raised_ns - round(self.after_s * 1e9), active=True)

    def after_restart(self, state: LimitState, time_ns: int) -> LimitState:
        """See `JointLimit`; nothing was received in between."""
        return state if state.active else SilenceState(last_ns=time_ns)

    def standing_peak(self, state: LimitState, time_ns: int) -> float:
        """See `JointLimit`."""
        assert isinstance(state, SilenceState), "`initial_state` pairs them"
        return (time_ns - state.last_ns) * 1e-9

    def pace_mistakes(self, joint: str, period_s: float) -> Iterator[Mistake]:
        """See `JointLimit`."""
        if self.after_s <= period_s:
            yield Mistake(
                key=("after_s",),
                found=f"{self.after_s:g}",
                expected=f"more than {period_s:g}, the period of the quickest frame of {joint!r}",
            )

    def label(self, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return f"silent for {format_span(self.after_s)}"

    def describe(self) -> str:
        """See `LimitKind`."""
        return (
            f"{self._verb()} when {self.joint or 'any joint'} says nothing for "
            f"{format_span(self.after_s)}; clears with its next frame{self._latch()}"
        )

    def sentence(self, change: LimitChange) -> str:
        """See `LimitKind`."""
        if change.kind == EventKind.RAISED:
            return f"{change.joint}: silent for {format_span(self.after_s)} ({self.name})"
        return f"{change.joint}: heard again after {format_span(change.peak)} ({self.name})"

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return format_span(value)

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """See `JointLimit`."""
        return (DragHandle(key="after_s", position=self.after_s),)

    def changes_from_gaps(
        self, gaps: Sequence[tuple[int, int]], *, joint: str, end_ns: int
    ) -> list[LimitChange]:
        """See `JointLimit`; the end of a recording ends no silence: only a frame does."""
        changes: list[LimitChange] = []
        for begin, end in gaps:
            row_ns = np.array([end] if end < end_ns else [], np.int64)
            changes_by_row, _ = step_silence(
                self, SilenceState(last_ns=begin), row_ns, joint=joint, now_ns=end
            )
            changes += [change for _, change in changes_by_row]
        return changes


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceState(LimitState):
    """The state of a silence limit between batches."""

    last_ns: int
    """Time of the joint's newest row; before the first, when listening began."""


def step_silence(
    limit: Silence,
    state: SilenceState,
    time_ns: NDArray[np.int64],
    *,
    joint: str,
    now_ns: int,
) -> tuple[list[tuple[int, LimitChange]], SilenceState]:
    """Return the changes, each with the index of the row at or before which it is, and the state.

    Parameters
    ----------
    time_ns
        The times of the joint's rows, shape (n,), non-decreasing.
    now_ns
        No later batch holds a row before this.
    """
    after_ns = round(limit.after_s * 1e9)
    changes: list[tuple[int, LimitChange]] = []

    def add_change(
        index: int,
        kind: Literal[EventKind.RAISED, EventKind.RETURNED],
        at_ns: int,
        onset_ns: int,
        span_ns: int,
    ) -> None:
        change = LimitChange(
            time_ns=at_ns,
            limit=limit.name,
            joint=joint,
            severity=limit.severity,
            channel="",
            kind=kind,
            value=span_ns / 1e9,
            onset_ns=onset_ns,
            peak=span_ns / 1e9,
        )
        changes.append((index, change))

    active, last_ns = state.active, state.last_ns
    if len(time_ns):
        previous_ns = np.concatenate(([last_ns], time_ns[:-1]))
        silent = time_ns - previous_ns >= after_ns
        silent[0] |= active
        for index in np.flatnonzero(silent):
            row_ns, before_ns = int(time_ns[index]), int(previous_ns[index])
            if not active:
                add_change(int(index), EventKind.RAISED, before_ns + after_ns, before_ns, after_ns)
            # A row older than the watermark allows must not end a silence before it began.
            at_ns = max(row_ns, before_ns + after_ns)
            add_change(int(index), EventKind.RETURNED, at_ns, at_ns, at_ns - before_ns)
            active = False
        last_ns = int(time_ns[-1])
    if not active and now_ns >= last_ns + after_ns:
        add_change(len(time_ns), EventKind.RAISED, last_ns + after_ns, last_ns, after_ns)
        active = True
    return changes, SilenceState(last_ns=last_ns, active=active)
