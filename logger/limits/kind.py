"""The interface of every kind of limit. Pure.

A kind is one file in kinds/ with one model: its settings in the limits file, the scores of
readings, its memory, its words, its levels and drag handles, the summary of a second that it needs,
its form and its example. The rest of the program uses the classes here and knows no kind:

    LimitKind      a name, a severity, words
    TimedLimit     with delays, and the sentences that phrases make
    JointLimit     on a joint, whatever raises it
    ScoredLimit    on the readings of a joint (scored_limit.py)
    RecorderLimit  on the recorder itself (recorder_limit.py)

Levels, delays and gaps are the same for every kind: hysteresis.py.
"""

import math
from abc import abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Final, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, PrivateAttr

from logger.arrays import TIME_MAX_NS
from logger.errors import Mistake
from logger.heat.fitted import FittedHeat
from logger.joint.bench.joint_settings import RatedValues
from logger.joint.channels import channel_named
from logger.joint.quantities import DISPLAYS, Display
from logger.limits.curves import CurveSettings
from logger.limits.levels import DragHandle, LimitLevel
from logger.limits.limit_change import LimitChange, Severity
from logger.limits.phrases import Phrases, format_span
from logger.limits.scores import CalmBounds, LimitMemory, LimitState
from logger.limits.series import Series
from logger.limits.thresholds import CountGrids
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
"""The summary of a second in place of its readings, for approximate evaluation."""

_VERBS: Final = {"warning": "warns", "trip": "trips"}


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitForm:
    """How a page offers a kind; a kind that can be written in several ways has several."""

    key: str
    """Identifies the form on the page."""
    words: str
    blank: Mapping[str, Any]
    """A limit of this form to begin with, without name, kind and severity."""
    keys: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    """Key -> what a page calls it, and its unit ("channel" and "load": that of the channel there).

    Delays, `channel` and `magnitude` are called the same in every form."""
    drop_offs: Mapping[str, str] = field(default_factory=dict)
    """A level -> its drop-off, which keeps its distance where the level is moved."""


class LimitKind(Settings):
    """A limit of any kind: a name, a severity, and its sentences."""

    name: LimitName
    severity: Severity

    written_with: ClassVar[frozenset[str]] = frozenset()
    """The keys that distinguish it from other models of the same `kind`; one model has none."""
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
        """The channel in whose unit values are reported; "" where they have a unit of their own."""
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
        """How long its condition must last before it is raised, in seconds."""
        return 0.0

    @abstractmethod
    def label(self, displays: Mapping[str, Display]) -> str:
        """Return a few words for a page: "housing at or above 70 °C", in units of `displays`."""

    @abstractmethod
    def describe(self) -> str:
        """Return its meaning: "warns when the housing of shoulder ...; clears at or below 67"."""

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
        """Return the parts of its sentences, in the units of `displays`."""

    def label(self, displays: Mapping[str, Display]) -> str:
        """See `LimitKind`."""
        return self.phrases(displays).label

    def describe(self) -> str:
        """See `LimitKind`."""
        phrases = self.phrases(DISPLAYS)
        if self.on_delay_s > 0:
            condition = f"{phrases.stays} for {format_span(self.on_delay_s)}"
        else:
            condition = phrases.reaches
        clears = f"clears {phrases.clears}"
        if self.off_delay_s > 0:
            clears += f" after {format_span(self.off_delay_s)}"
        return f"{self._verb()} when {phrases.subject} {condition}; {clears}{self._latch()}"

    def _delay_text(self) -> str:
        return f" for {format_span(self.on_delay_s)}" if self.on_delay_s > 0 else ""


class JointLimit(LimitKind):
    """A limit on a joint, whatever raises it."""

    joint: str | None = None
    """None: every joint that carries the channels."""

    _grids: Mapping[str, CountGrids] = PrivateAttr(default_factory=dict)

    watches_gaps: ClassVar[bool] = False
    """Raised by missing rows and not by values; its values are spans in seconds."""
    threshold_keys: ClassVar[frozenset[str]] = frozenset()
    """Keys of the levels that scores are compared with; the scores do not depend on them."""
    measure_unit: ClassVar[Literal["channel", "per_min", "share", "seconds"]] = "channel"
    """The unit of the quantity that it measures, as drawn."""
    measure_words: ClassVar[str] = ""
    """Follows the channel's name in the label of the drawn quantity: " from its set-point"."""
    has_handles: ClassVar[bool] = True
    """Whether the drawn quantity has a level that can be dragged."""
    draws_levels: ClassVar[bool] = False
    """Whether `levels` has any, of a joint with all rated values."""

    def in_channel_unit(self, rated: RatedValues) -> "JointLimit | None":
        """Return the same in the channel's unit; None without its rated value."""
        return self

    def with_grids(self, grids: Mapping[str, CountGrids]) -> Self:
        """Return the same on a joint whose channels have these values (`thresholds`)."""
        limit = self.model_copy()
        for name in limit.__dict__.keys() - type(self).model_fields.keys():
            # A number that was computed with other grids.
            del limit.__dict__[name]
        limit._grids = grids
        return limit

    def grids_of(self, channel: str) -> CountGrids:
        """Return the values that a channel can have on the limit's joint; none: not known."""
        return self._grids.get(channel, ())

    def with_heat(self, heat: FittedHeat | None) -> "Self | None":
        """Return the same on a joint with this model of heat; None where it needs another."""
        return self

    @abstractmethod
    def initial_state(self, start_ns: int) -> LimitState:
        """Return the state before the first reading."""

    def initial_memory(self) -> LimitMemory | None:
        """Return the memory of the scores before the first reading; None: the kind has none."""
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
        """Return the changes within a batch, each with its row; the state and memory after it."""

    @property
    def calm_step_s(self) -> float:
        """How far apart two rows are at least that change something by that alone."""
        return math.inf

    def calm_bounds(
        self, state: LimitState, memory: LimitMemory | None, *, at_ns: int, until_ns: int
    ) -> CalmBounds | None:
        """Return between which values no reading before `until_ns` raises or ends its alert.

        `state`, `memory`: after the row at `at_ns`; no later one is older. None: not known.
        """
        return None

    def changes_alone_ns(self, state: LimitState) -> int:
        """Return from which watermark on it changes although no row came."""
        return TIME_MAX_NS

    @abstractmethod
    def raised_state(self, raised_ns: int, peak: float) -> LimitState:
        """Return the state with an active alert that was raised at `raised_ns`."""

    @abstractmethod
    def after_restart(self, state: LimitState, time_ns: int) -> LimitState:
        """Return the state after a restart: an active alert stays, running delays start again."""

    def memory_after_restart(
        self, memory: LimitMemory | None, standing: float | None, time_ns: int
    ) -> LimitMemory | None:
        """Return the memory after a restart of the recorder at `time_ns`.

        `standing`: the peak of its active alert; None: it has none.
        """
        return self.initial_memory()

    @abstractmethod
    def standing_peak(self, state: LimitState, time_ns: int) -> float:
        """Return the peak so far of an active alert; NaN where it is unknown."""

    def pace_mistakes(self, joint: str, period_s: float) -> Iterator[Mistake]:
        """Yield delays and windows too short for readings that come every `period_s` of a joint."""
        yield from ()

    def mistakes_of_rate(self, joint: str, period_s: float) -> Iterator[Mistake]:
        """Yield what readings every `period_s` can never resolve, whatever the delays."""
        yield from ()

    def levels(self, rated: RatedValues) -> tuple[LimitLevel, ...]:
        """Return its levels in the channel's own unit on such a joint, the lower one first."""
        return ()

    def drag_handles(self, rated: RatedValues) -> tuple[DragHandle, ...]:
        """Return the levels that can be dragged in the figure of the measured quantity."""
        return ()

    @property
    def summary_styles(self) -> Mapping[str, SummaryStyle]:
        """The channels that it reads -> the summary of a second for approximate evaluation."""
        return {}

    def score_key(self) -> str:
        """Return a text that is equal for limits with equal scores; they can share one pass."""
        left_out = {"name", "severity", "joint", "on_delay_s", "off_delay_s", *self.threshold_keys}
        return f"{type(self).__name__}  {self.model_dump_json(exclude=left_out)}"

    def changes_from_gaps(
        self, gaps: Sequence[tuple[int, int]], *, joint: str, end_ns: int
    ) -> list[LimitChange]:
        """Return the changes caused by spans without a row; none unless `watches_gaps`."""
        return []


def rated_value(channel: str, rated: RatedValues) -> float | None:
    """Return the rated value that a channel is compared with; None where there is none."""
    quantity = channel_named(channel).quantity
    rated_by_quantity = {"torque": rated.torque, "current": rated.current, "voltage": rated.voltage}
    return rated_by_quantity.get(quantity)
