"""What every kind of limit owns, and how the rest asks for it. Pure.

A kind is one file in kinds/ with one model: what the limits file says, the scores that it makes of
readings, its memory, its words, its levels and handles, what stands for a second of it, its form
and its example. Everything else asks through the classes here and knows no kind:

    LimitKind      a name, a severity, words
    TimedLimit     with delays, and the sentences that phrases make
    JointLimit     on a joint, whatever raises it
    ScoredLimit    on the readings of a joint: a score of each, of which more is worse
    RecorderLimit  on the recorder itself (recorder_limit.py)

What a score must reach, and all that delays and gaps do, is hysteresis.py's, alike for every kind.
"""

import math
from abc import abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from logger.errors import Mistake
from logger.event_kind import EventKind
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.channels import CHANNELS, DISPLAYS, Display
from logger.limits import hysteresis
from logger.limits.curves import CurveSettings
from logger.limits.hysteresis import LevelState
from logger.limits.levels import DragHandle, LimitLevel
from logger.limits.limit_change import LimitChange, Severity
from logger.limits.phrases import Phrases, format_channel_value, format_span
from logger.limits.scores import LimitMemory, LimitState, Scores
from logger.limits.series import Series
from logger.settings_file import Settings

__all__ = [
    "MAX_DURATION_S",
    "DelayDuration",
    "FiniteNumber",
    "JointLimit",
    "LimitForm",
    "LimitKind",
    "LimitName",
    "PositiveDuration",
    "PositiveNumber",
    "PositiveShare",
    "ScoredLimit",
    "Severity",
    "SummaryStyle",
    "TimedLimit",
    "rated_value",
]

MAX_DURATION_S: Final = 366 * 86_400.0

LimitName = Annotated[str, Field(pattern=r"^[a-z0-9-]+$", max_length=60)]
FiniteNumber = Annotated[float, Field(allow_inf_nan=False)]
DelayDuration = Annotated[float, Field(ge=0, le=MAX_DURATION_S)]
PositiveDuration = Annotated[float, Field(gt=0, le=MAX_DURATION_S)]
PositiveNumber = Annotated[float, Field(gt=0, allow_inf_nan=False)]
PositiveShare = Annotated[float, Field(gt=0, le=1e6)]
"""Of a rated value: so small that the product is a number."""
SummaryStyle = Literal["extremes", "rms", "mean", "ends", "swing"]
"""What of a second stands for its readings, where a limit is tried roughly."""

_VERBS: Final = {"warning": "warns", "trip": "trips"}


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitForm:
    """How a page offers a kind; a kind that can be written in several ways has several."""

    key: str
    """What the page knows it by."""
    words: str
    blank: Mapping[str, Any]
    """A limit of this form to begin with, without name, kind and severity."""
    keys: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    """Key -> what a page calls it, and its unit ("channel" and "load": that of the channel there).

    Delays, `channel` and `magnitude` are called the same in every form."""
    drop_offs: Mapping[str, str] = field(default_factory=dict)
    """A level -> its drop-off, which keeps its distance where the level is moved."""


class LimitKind(Settings):
    """A limit of any kind: a name, a severity, and what it says."""

    name: LimitName
    severity: Severity

    written_with: ClassVar[frozenset[str]] = frozenset()
    """The keys that tell it from other models of the same `kind`; the one without is the rest."""
    form: ClassVar[LimitForm | None] = None
    """None: pages keep such a limit as it is."""
    example: ClassVar[str]
    """Its commented entry in the limits file that ships."""

    @classmethod
    def kind_name(cls) -> str:
        """Return what a limits file has for `kind`."""
        return str(cls.model_fields["kind"].default)

    @property
    def reported_channel(self) -> str:
        """The channel in whose unit values are told; empty where they have a unit of their own."""
        return ""

    @property
    def needed_channels(self) -> tuple[tuple[str, str], ...]:
        """The key of each channel that a joint must carry, and the channel."""
        return ()

    @property
    def needs_rated(self) -> tuple[tuple[str, str], ...]:
        """The keys that are shares of a rated value, and the channel that it is of."""
        return ()

    @property
    def delay_s(self) -> float:
        """For how long its condition must stand before it is raised."""
        return 0.0

    @abstractmethod
    def label(self, displays: Mapping[str, Display]) -> str:
        """Return a few words for a page: "housing above 70 °C", in the units of `displays`."""

    @abstractmethod
    def describe(self) -> str:
        """Return what it does: "warns when the housing of shoulder ...; clears below 67"."""

    @abstractmethod
    def sentence(self, change: LimitChange) -> str:
        """Return what happened, in one sentence."""

    @abstractmethod
    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """Write a value of a change in the unit that it has: "71 °C", "92.5 %", "8 K/min"."""

    def curve_settings(self) -> CurveSettings | None:
        """Return the curve of current against time that it follows; None where it has none."""
        return None

    def _verb(self) -> str:
        return _VERBS[self.severity]

    def _latch(self) -> str:
        return "; stays until acknowledged" if self.severity == "trip" else ""


class TimedLimit(LimitKind):
    """A limit with delays; its phrases are put into sentences here."""

    on_delay_s: DelayDuration = 0.0
    off_delay_s: DelayDuration = 0.0

    @property
    def delay_s(self) -> float:
        """See `LimitKind`."""
        return self.on_delay_s

    def rank(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return values by which peaks are chosen, more is worse, whichever way the limit looks."""
        return values

    @abstractmethod
    def phrases(self, displays: Mapping[str, Display]) -> Phrases:
        """Return what it says of itself, in the units of `displays`."""

    def label(self, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return self.phrases(displays).label

    def describe(self) -> str:
        """See `LimitKind`."""
        said = self.phrases(DISPLAYS)
        if self.on_delay_s > 0:
            condition = f"{said.stays} for {format_span(self.on_delay_s)}"
        else:
            condition = said.reaches
        clears = f"clears {said.clears}"
        if self.off_delay_s > 0:
            clears += f" after {format_span(self.off_delay_s)}"
        return f"{self._verb()} when {said.subject} {condition}; {clears}{self._latch()}"

    def _delay_text(self) -> str:
        return f" for {format_span(self.on_delay_s)}" if self.on_delay_s > 0 else ""


class JointLimit(LimitKind):
    """A limit on a joint, whatever raises it."""

    joint: str | None = None
    """None: every joint that carries the channels."""

    watches_gaps: ClassVar[bool] = False
    """Raised by rows that do not come, and not by what they hold; values are spans in seconds."""
    threshold_keys: ClassVar[frozenset[str]] = frozenset()
    """Its scores do not depend on these, only what they must reach; delays need not be named."""
    measure_unit: ClassVar[Literal["channel", "per_min", "share", "seconds"]] = "channel"
    """The unit of what it measures, where that is drawn."""
    measure_words: ClassVar[str] = ""
    """Said behind the channel's words for what is drawn: " from its set-point"."""
    has_handles: ClassVar[bool] = True
    """Whether what it measures has a level that could be dragged."""
    draws_levels: ClassVar[bool] = False
    """Whether `levels` has any, of a joint with all rated values."""

    def in_channel_unit(self, rated: RatedValues) -> "JointLimit | None":
        """Return the same in the channel's unit; None for a share of what the joint has not."""
        return self

    @abstractmethod
    def initial_state(self, start_ns: int) -> LimitState:
        """Return where it stands before the first reading."""

    def initial_memory(self) -> LimitMemory | None:
        """Return what its scores remember before the first reading; None: nothing, ever."""
        return None

    @abstractmethod
    def advance(
        self,
        state: LimitState,
        memory: LimitMemory | None,
        series: Series,
        *,
        joint: str,
        now_ns: int,
    ) -> tuple[list[tuple[int, LimitChange]], LimitState, LimitMemory | None]:
        """Return the changes within a batch, each with its row, and what is kept behind it."""

    @abstractmethod
    def raised_state(self, raised_ns: int, peak: float) -> LimitState:
        """Return where it stands while an alert goes on that was raised at `raised_ns`."""

    @abstractmethod
    def after_restart(self, state: LimitState, time_ns: int) -> LimitState:
        """Return where it stands when a recorder goes on: what stood stands, waits begin anew."""

    def memory_after_restart(
        self, memory: LimitMemory | None, standing: float | None, time_ns: int
    ) -> LimitMemory | None:
        """Return what it remembers when a recorder goes on at `time_ns`, after time without one.

        `standing`: the peak of its alert that stands; None where none does.
        """
        return self.initial_memory()

    def why_unjudged(self, memory: LimitMemory | None) -> str:
        """Return why it cannot judge the readings as they come at present; empty where it can."""
        return ""

    @abstractmethod
    def standing_peak(self, state: LimitState, time_ns: int) -> float:
        """Return how far an alert that stands has gone; NaN where that is not known."""

    def pace_mistakes(self, joint: str, period_s: float) -> Iterator[Mistake]:
        """Yield delays and windows too short for readings that come every `period_s` of a joint."""
        yield from ()

    def mistakes_of_rate(self, joint: str, period_s: float) -> Iterator[Mistake]:
        """Yield what readings that come every `period_s` can never tell, whatever its delays."""
        yield from ()

    def levels(self, rated: RatedValues) -> tuple[LimitLevel, ...]:
        """Return its levels in the channel's own unit on such a joint, the lower one first."""
        return ()

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """Return the levels that can be dragged in a picture of what it measures."""
        return ()

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """The channels that it looks at, and what of their seconds counts for it roughly."""
        return {}

    def score_key(self) -> str:
        """Return a text that is the same for limits of the same scores."""
        left_out = {"name", "severity", "joint", "on_delay_s", "off_delay_s", *self.threshold_keys}
        return f"{type(self).__name__}  {self.model_dump_json(exclude=left_out)}"

    def changes_from_gaps(
        self, gaps: Sequence[tuple[int, int]], *, joint: str, end_ns: int
    ) -> list[LimitChange]:
        """Return what stretches without a row raise, of a limit that watches gaps."""
        return []


class ScoredLimit(TimedLimit, JointLimit):
    """A limit on the readings of a joint: one score of each, of which more is worse."""

    peak_is_first: ClassVar[bool] = False
    """Of an alert the first reading is told, and not the worst: the others are the same."""
    alone_over_restarts: ClassVar[bool] = False
    """Its memory depends on whether its alert stood where a recorder went on."""

    @abstractmethod
    def compute_scores(
        self, memory: LimitMemory | None, series: Series
    ) -> tuple[Scores, LimitMemory | None]:
        """Return the scores of the readings, and what is remembered behind them.

        `memory`: from `initial_memory`, or from the batch before.
        """

    def scores_of_seconds(self, series: Series) -> Scores:
        """Return the scores where a few values stand for each second (`summary_styles`), about."""
        scores, _ = self.compute_scores(self.initial_memory(), series)
        return scores

    @property
    def rebuilt_from_s(self) -> float | None:
        """Over how much of the past its memory is worked out again where a recording goes on.

        None: it begins anew there, or needs nothing but the alert that stands.
        """
        return None

    @property
    def furthest_is_inside(self) -> bool:
        """Whether the worst reading is the one nearest to zero, and so no extreme of the values."""
        return False

    def rules_out(self, second: NDArray[np.int32], values: NDArray[np.float64]) -> bool:
        """Return whether these seconds of its first channel cannot raise it, whatever follows.

        `second`: shape (n,). `values`: what stands for each, shape (n, many).
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
        changes, after = hysteresis.step_level(self, state, scores, joint=joint)
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
        said = self.phrases(DISPLAYS)
        value = self.format_value(change.value, DISPLAYS)
        if change.kind == EventKind.RAISED:
            return f"{change.joint}: {said.label}{self._delay_text()}, now {value} ({self.name})"
        peak = self.format_value(change.peak, DISPLAYS)
        return f"{change.joint}: {said.back}, now {value}, {said.extreme} {peak} ({self.name})"

    def format_value(self, value: float, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        channel = self.needed_channels[0][1]
        return format_channel_value(channel, value, displays=displays, setting=False)


def rated_value(channel: str, rated: RatedValues) -> float | None:
    """Return the rated value that a channel is compared with; None where there is none."""
    quantity = CHANNELS[channel].quantity
    rated_by_quantity = {"torque": rated.torque, "current": rated.current, "voltage": rated.voltage}
    return rated_by_quantity.get(quantity)
