"""All limits of one joint over its readings: pure, and the same in any chunking.

**Level.** Works on the non-null values of its channel, reading by reading; no clock is asked. A
reading is *on* at or beyond the pick-up, *off* at or back beyond the drop-off and not on, else
*between*. With a magnitude limit this is said of the reading without its sign.

- Raised at the first reading that is on, with every reading since some reading on, no gap between
  them, and at least the on-delay between that first one and this. With no delay: at the first on.
- Returned likewise: readings off, without a gap, over at least the off-delay.
- A reading between is neither: it restarts a running delay and changes nothing else.
- A *gap* stands between two values further apart than the channel's hold limit. It restarts a
  running delay, counted anew from the value behind it. It never raises and never clears: an active
  alert stays active through any gap, and with no delay the value behind the gap decides by itself.

**Silence.** Raised when no row of the joint, of any kind, has come for `after_s`, at the moment at
which that was full: seen by `now_ns` or by a later row. Returned at the next row. Before the first
row it counts from the start. Exactly `after_s` between two rows is a silence, over at once.

`now_ns` is a watermark: no later batch holds a row before it. Changes come in order of time; of one
time, in order of the rows that made them, then of the limits file.
"""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.errors import InputError
from logger.joint.batch import ReadingBatch
from logger.limits import level, silence
from logger.limits.change import Change
from logger.limits.level import LevelState
from logger.limits.limit import Level, Limit, LimitSet
from logger.limits.silence import SilenceState

__all__ = [
    "Plan",
    "State",
    "evaluate",
    "from_plain",
    "initial",
    "plan_for",
    "taken_over",
    "to_plain",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is watched on one joint."""

    joint: str
    limits: tuple[Limit, ...]
    hold_ns: Mapping[str, int]
    """Channel -> how long one of its values holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What the limits of one joint remember between batches, by the limit's name."""

    limits: Mapping[str, LevelState | SilenceState]

    @property
    def active(self) -> tuple[str, ...]:
        """Names of the limits whose condition stands."""
        return tuple(name for name, state in self.limits.items() if state.active)


def plan_for(
    limits: LimitSet, *, joint: str, hold_ns: Mapping[str, int], sensor: bool = False
) -> Plan:
    """Return the plan of a joint; the keys of `hold_ns` are the channels that it carries."""
    return Plan(
        joint=joint,
        limits=limits.for_joint(joint, tuple(hold_ns), sensor=sensor),
        hold_ns=hold_ns,
    )


def initial(plan: Plan, *, start_ns: int) -> State:
    """Return the state before the first reading; silence counts from `start_ns`."""
    return State(
        limits={
            limit.name: LevelState() if isinstance(limit, Level) else SilenceState(last_ns=start_ns)
            for limit in plan.limits
        }
    )


def evaluate(
    plan: Plan, state: State, batch: ReadingBatch, *, now_ns: int
) -> tuple[tuple[Change, ...], State]:
    """Return what was raised or has returned within `batch`, and the state after it.

    Parameters
    ----------
    state
        From `initial`, from the batch before, or from `from_plain` with the same plan.
    now_ns
        No later batch holds a row before this. Over a finished recording: its end.
    """
    found: list[tuple[tuple[int, int, bool, int], Change]] = []
    after: dict[str, LevelState | SilenceState] = {}
    series = _Series(batch)
    for order, limit in enumerate(plan.limits):
        before = state.limits[limit.name]
        if isinstance(limit, Level):
            assert isinstance(before, LevelState), "`initial` and `from_plain` pair them"
            time_ns, values = series.of(limit.channel)
            changes, after[limit.name] = level.step(
                limit,
                before,
                time_ns,
                values,
                joint=plan.joint,
                hold_ns=plan.hold_ns[limit.channel],
            )
            # By the row in the batch, not in the channel: ties come out alike in any chunking.
            changes = [(series.row(limit.channel, index), change) for index, change in changes]
            early = False
        else:
            assert isinstance(before, SilenceState), "`initial` and `from_plain` pair them"
            changes, after[limit.name] = silence.step(
                limit, before, batch.time_ns, joint=plan.joint, now_ns=now_ns
            )
            early = True
        for row, change in changes:
            # A silence was full before the row that ended it came.
            late = not (early and change.kind == "raised")
            found.append(((change.time_ns, row, late, order), change))
    found.sort(key=lambda item: item[0])
    return tuple(change for _, change in found), State(limits=after)


def taken_over(
    plan: Plan, state: State, after: Plan, *, time_ns: int
) -> tuple[tuple[Change, ...], State]:
    """Return what other limits make of an alert that stands, and the state with them.

    A limit that is the same in both goes on, its delays with it. One that was changed or is gone
    ends its alert at that instant; changed, it begins anew there.
    """
    kept = dict(initial(after, start_ns=time_ns).limits)
    later = {limit.name: limit for limit in after.limits}
    ended = []
    for limit in plan.limits:
        before = state.limits[limit.name]
        if later.get(limit.name) == limit:
            kept[limit.name] = before
        elif before.active:
            peak = before.peak if isinstance(before, LevelState) else None
            ended.append(
                Change(
                    time_ns=time_ns,
                    limit=limit.name,
                    joint=plan.joint,
                    severity=limit.severity,
                    channel=limit.channel if isinstance(limit, Level) else "",
                    kind="returned",
                    value=math.nan,
                    onset_ns=time_ns,
                    peak=math.nan if peak is None else peak,
                )
            )
    return tuple(ended), State(limits=kept)


def to_plain(state: State) -> dict[str, Any]:
    """Return a state as plain JSON-able content."""
    return {
        "format": 1,
        "limits": {
            name: {"kind": "level" if isinstance(one, LevelState) else "silence", **asdict(one)}
            for name, one in state.limits.items()
        },
    }


def from_plain(plan: Plan, plain: Mapping[str, Any], *, start_ns: int) -> State:
    """Return the state that `to_plain` wrote, for a logger that takes it up at `start_ns`.

    A limit that the content does not know begins anew; one that the plan does not know is left
    out. A silence that was not yet full counts from `start_ns`: nobody listened in between.

    Raises
    ------
    InputError
        The content is not what `to_plain` writes.
    """
    state = dict(initial(plan, start_ns=start_ns).limits)
    try:
        if plain["format"] != 1:
            raise ValueError(plain["format"])  # noqa: TRY301 - answered with all else below
        for name, content in plain["limits"].items():
            fields = {key: value for key, value in content.items() if key != "kind"}
            kept = state.get(name)
            if isinstance(kept, LevelState) and content["kind"] == "level":
                state[name] = LevelState(**fields)
            elif isinstance(kept, SilenceState) and content["kind"] == "silence":
                old = SilenceState(**fields)
                last_ns = old.last_ns if old.active else max(old.last_ns, start_ns)
                state[name] = SilenceState(last_ns=last_ns, active=old.active)
    except (AttributeError, KeyError, TypeError, ValueError) as fault:
        raise InputError(
            f"The kept state of the limits of joint {plan.joint!r} cannot be taken up ({fault!r}); "
            "expected format 1 as this program writes it. Start without it."
        ) from None
    return State(limits=state)


class _Series:
    """The non-null values of each channel of a batch, found once for all limits on it."""

    def __init__(self, batch: ReadingBatch) -> None:
        self._batch = batch
        self._held: dict[str, NDArray[np.bool_] | None] = {}
        self._series: dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]] = {}

    def of(self, channel: str) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        if channel not in self._series:
            values = self._batch.columns.get(channel)
            if values is None:
                values = np.full(len(self._batch), np.nan)
            held = ~np.isnan(values)
            if held.all():
                self._held[channel] = None
                self._series[channel] = self._batch.time_ns, values
            else:
                self._held[channel] = held
                self._series[channel] = self._batch.time_ns[held], values[held]
        return self._series[channel]

    def row(self, channel: str, index: int) -> int:
        """Return the row of the batch in which the channel's value `index` stands."""
        held = self._held[channel]
        return index if held is None else int(np.flatnonzero(held)[index])
