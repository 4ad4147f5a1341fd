"""A limit on the readings of a joint: one score of each reading, of which more is worse. Pure.

A kind says how readings become scores; when scores raise an alert and end it is the same for all
of them (hysteresis.py), and so are the state between batches, the sentences of a change and the
check that delays are not shorter than the time between two readings.
"""

import math
from abc import abstractmethod
from collections.abc import Iterator, Mapping
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_ns
from logger.errors import Mistake
from logger.event_kind import EventKind
from logger.joint.channels import channel_named
from logger.joint.quantities import DISPLAYS, Display
from logger.limits.gaps import CoverageTerms, bridged_ns, coverage_terms
from logger.limits.hysteresis import LevelState, step_level
from logger.limits.kind import JointLimit, TimedLimit
from logger.limits.limit_change import CoverageChange, LimitChange
from logger.limits.phrases import format_channel_value, format_span
from logger.limits.scores import CalmBounds, LimitMemory, LimitState, Scores
from logger.limits.series import Series

__all__ = ["ScoredLimit"]


class ScoredLimit(TimedLimit, JointLimit):
    """A limit on the readings of a joint: one score of each, of which more is worse."""

    peak_is_first: ClassVar[bool] = False
    """The reported peak is the first reading and not the worst: all of them are equal."""
    integrates: ClassVar[bool] = False
    """It grows over the time between two readings: one alone says nothing."""
    bridges_window: ClassVar[bool] = True
    """A gap that is short against its window leaves the window as it is (`gaps`)."""
    scores_any_row: ClassVar[bool] = False
    """A score may come with any row of its joint, whatever that reads."""
    alone_over_restarts: ClassVar[bool] = False
    """Its memory depends on whether its alert was active when the recorder restarted."""

    @abstractmethod
    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory | None]:
        """Return the scores of the readings, and the memory after them.

        `memory`: from `initial_memory`, or from the previous batch.
        """

    def scores_of_seconds(self, series: Series) -> Scores:
        """Return approximate scores of seconds, each given by a few values (`summary_styles`)."""
        scores, _ = self.compute_scores(self.initial_memory(), series)
        return scores

    @property
    def window_s(self) -> float:
        """What it looks back over before it has a score, in seconds; 0: at one reading."""
        return 0.0

    @property
    def rebuilt_from_s(self) -> float | None:
        """The span before a restart over which its memory is computed again, in seconds.

        None: the memory starts empty, or needs only the active alert.
        """
        return None

    @property
    def furthest_is_inside(self) -> bool:
        """Whether the worst reading is the one nearest to zero: then it is no extreme value."""
        return False

    def rules_out(self, second: NDArray[np.int32], values: NDArray[np.float64]) -> bool:
        """Return whether these seconds of its first channel cannot raise it in any context.

        `second`: shape (n,). `values`: the summary of each, shape (n, k).
        """
        return False

    def initial_state(self, start_ns: int) -> LimitState:
        """See `JointLimit`."""
        return LevelState()

    def advance(
        self,
        state: LimitState,
        memory: LimitMemory | None,
        series: Series,
        *,
        joint: str,
        now_ns: int,
    ) -> tuple[list[tuple[int, LimitChange]], LimitState, LimitMemory | None]:
        """See `JointLimit`."""
        scores, memory = self.compute_scores(memory, series)
        changes, after = self.step_scores(state, scores, joint=joint)
        return changes, after, memory

    def step_scores(
        self, state: LimitState, scores: Scores, *, joint: str
    ) -> tuple[list[tuple[int, LimitChange]], LimitState]:
        """Return the changes that scores make, each with its row in the batch; the state after."""
        assert isinstance(state, LevelState), "`initial_state` pairs them"
        changes, after = step_level(self, state, scores, joint=joint)
        if changes and scores.batch_rows is not None:
            # By the row in the batch, not in the channel: ties come out alike in any chunking.
            changes = [(int(scores.batch_rows[index]), change) for index, change in changes]
        return changes, after

    def calm_bounds(
        self, state: LimitState, memory: LimitMemory | None, *, at_ns: int, until_ns: int
    ) -> CalmBounds | None:
        """See `JointLimit`."""
        assert isinstance(state, LevelState), "`initial_state` pairs them"
        delay_ns = round((self.off_delay_s if state.active else self.on_delay_s) * 1e9)
        begun_ns = at_ns if state.pending_ns is None else state.pending_ns
        if begun_ns + delay_ns >= until_ns:
            # Whatever is read, its delay is not over by then.
            return {}
        calm = self.calm_values(memory, active=state.active, until_ns=until_ns)
        if calm is None and not self.scores_any_row:
            return self.without_readings
        return calm

    def calm_values(
        self, memory: LimitMemory | None, *, active: bool, until_ns: int
    ) -> CalmBounds | None:
        """Return between which values no score before `until_ns` is on, or off if `active`.

        None: not known.
        """
        return None

    @property
    def scored_channels(self) -> tuple[str, ...]:
        """The channels of which a reading has to come for a score."""
        return (self.needed_channels[0][1],)

    @property
    def without_readings(self) -> CalmBounds:
        """Bounds that any reading with a score is outside of: without one nothing changes."""
        return dict.fromkeys(self.scored_channels, (math.inf, -math.inf))

    def scores_hold_ns(self, hold_ns: Mapping[str, int]) -> int:
        """Return how far apart two of its scores are no gap; `hold_ns`: that of each channel."""
        return hold_ns[self.needed_channels[0][1]]

    def coverage_terms(self, hold_ns: Mapping[str, int]) -> CoverageTerms:
        """Return what it needs to be judged (`gaps`); `hold_ns`: that of each channel."""
        return coverage_terms(
            self.scores_hold_ns(hold_ns),
            window_ns=to_ns(self.window_s),
            delays_ns=(to_ns(self.on_delay_s), to_ns(self.off_delay_s)),
            of_pairs=self.integrates,
        )

    def not_judged_condition(self, hold_ns: Mapping[str, int]) -> str:
        """Return when it is not judged: "while the housing has gaps longer than 3.75 s ...".

        `hold_ns`: that of each channel. "" where each reading is judged by itself.
        """
        longest = format_span(self.scores_hold_ns(hold_ns) / 1e9)
        gaps = []
        if self.integrates:
            gaps.append(f"longer than {longest} before each reading")
        if self.window_s and not self.bridges_window:
            gaps.append(f"longer than {longest} in every {format_span(self.window_s)}")
        spans_s = [self.window_s if self.bridges_window else 0.0, self.on_delay_s, self.off_delay_s]
        for span_s in dict.fromkeys(span_s for span_s in spans_s if span_s):
            apart_ns = bridged_ns(self.scores_hold_ns(hold_ns), to_ns(span_s))
            gaps.append(f"longer than {format_span(apart_ns / 1e9)} in every {format_span(span_s)}")
        return f"while the {self.needed_words} has gaps {', or '.join(gaps)}" if gaps else ""

    @property
    def needed_words(self) -> str:
        """The channels that it needs, in words: "current", "position or its set-point"."""
        return " or the ".join(channel_named(channel).label for _, channel in self.needed_channels)

    def raised_state(self, raised_ns: int, peak: float) -> LimitState:
        """See `JointLimit`."""
        return LevelState(active=True, peak=peak)

    def after_restart(self, state: LimitState, time_ns: int) -> LimitState:
        """See `JointLimit`."""
        assert isinstance(state, LevelState), "`initial_state` pairs them"
        return LevelState(active=True, peak=state.peak) if state.active else LevelState()

    def standing_peak(self, state: LimitState, time_ns: int) -> float:
        """See `JointLimit`."""
        assert isinstance(state, LevelState), "`initial_state` pairs them"
        return math.nan if state.peak is None else state.peak

    def pace_mistakes(self, joint: str, period_s: float) -> Iterator[Mistake]:
        """See `JointLimit`."""
        for key in ("on_delay_s", "off_delay_s"):
            delay_s = float(getattr(self, key))
            if 0 < delay_s < period_s:
                yield Mistake(
                    key=(key,),
                    found=f"{delay_s:g}",
                    expected=f"0 or at least {period_s:g}, the period of the frame that carries "
                    f"{self.needed_channels[0][1]} of {joint!r}",
                )

    def sentence(self, change: LimitChange) -> str:
        """See `LimitKind`."""
        phrases = self.phrases(DISPLAYS)
        value = self.format_value(change.value, DISPLAYS)
        if change.kind == EventKind.RAISED:
            return f"{change.joint}: {phrases.label}{self._delay_text()}, now {value} ({self.name})"
        peak = self.format_value(change.peak, DISPLAYS)
        return (
            f"{change.joint}: {phrases.back}, now {value}, {phrases.extreme} {peak} ({self.name})"
        )

    def coverage_sentence(self, change: CoverageChange, hold_ns: Mapping[str, int]) -> str:
        """Return that it is not judged, since when and why; or that it is again.

        `hold_ns`: that of each channel.
        """
        span = format_span(round((change.time_ns - change.since_ns) / 1e9, 1))
        label = self.phrases(DISPLAYS).label
        if change.kind == EventKind.LIMIT_JUDGED_AGAIN:
            return f"{change.joint}: {label} is judged again, after {span} ({self.name})"
        why = f"while the {self.needed_words} is not reported"
        condition = self.not_judged_condition(hold_ns)
        why += f", or {condition}" if condition else ""
        return (
            f"{change.joint}: {label} is not judged for {span} now; it is not {why} ({self.name})"
        )

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        channel = self.needed_channels[0][1]
        return format_channel_value(channel, value, displays=displays, setting=False)
