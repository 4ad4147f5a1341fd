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

from logger.errors import Mistake
from logger.event_kind import EventKind
from logger.joint.channels import DISPLAYS, Display
from logger.limits.hysteresis import LevelState, step_level
from logger.limits.kind import JointLimit, TimedLimit
from logger.limits.limit_change import LimitChange
from logger.limits.phrases import format_channel_value
from logger.limits.scores import LimitMemory, LimitState, Scores
from logger.limits.series import Series

__all__ = ["ScoredLimit"]


class ScoredLimit(TimedLimit, JointLimit):
    """A limit on the readings of a joint: one score of each, of which more is worse."""

    peak_is_first: ClassVar[bool] = False
    """The reported peak is the first reading and not the worst: all of them are equal."""
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
        assert isinstance(state, LevelState), "`initial_state` pairs them"
        scores, memory = self.compute_scores(memory, series)
        changes, after = step_level(self, state, scores, joint=joint)
        if changes and scores.batch_rows is not None:
            # By the row in the batch, not in the channel: ties come out alike in any chunking.
            changes = [(int(scores.batch_rows[index]), change) for index, change in changes]
        return changes, after, memory

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

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        channel = self.needed_channels[0][1]
        return format_channel_value(channel, value, displays=displays, setting=False)
