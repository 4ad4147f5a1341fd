"""Limits evaluated when something can change: readings far from every level are held till then.

To evaluate ten readings costs about as much as a thousand, and mostly they come ten at a time and
change nothing. After each evaluation every limit says between which values its channels may stay so
that it is neither raised nor cleared for a while (`calm_bounds`). Readings between them are held.
At the first that is not, at a silence, or once that while is over, all that are held are evaluated
with it. Since any chunking gives the same, so does this, in the same call as if each batch had been
evaluated. Pure.
"""

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from logger.arrays import TIME_MAX_NS, Floats
from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import Evaluation, EvaluationState, LimitPlan, evaluate_with_coverage
from logger.limits.scored_limit import ScoredLimit

__all__ = ["LONGEST_CALM_NS", "DeferredState", "evaluate_deferred", "evaluate_held"]

LONGEST_CALM_NS: Final = 3_000_000_000
"""How long readings are held at most: all of them cost little more than the first."""
_NEVER_NS: Final = -(2**63)


class ChannelBounds(NamedTuple):
    """Values of k channels between which their readings change nothing, both left out."""

    channels: tuple[str, ...]
    low: Floats
    """Shape (k, 1), as `high`."""
    high: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class DeferredState:
    """The state of the limits of one joint, and the readings that are still to be evaluated."""

    state: EvaluationState
    """Before the readings that are held."""
    held: tuple[ReadingBatch, ...] = ()
    newest_ns: int = _NEVER_NS
    """Time of the newest row."""
    until_ns: int = _NEVER_NS
    """A row of this time or a later one, or such a watermark, has all of them evaluated."""
    alone_until_ns: int = _NEVER_NS
    """Where none are held, nothing changes without a row before such a watermark."""
    bounds: ChannelBounds | None = None
    """Between what the readings change nothing; None: any may."""


def evaluate_deferred(
    plan: LimitPlan, deferred: DeferredState, batch: ReadingBatch, *, now_ns: int
) -> tuple[Evaluation | None, DeferredState]:
    """Return what readings change, None where that is nothing and they are held; the state after.

    Parameters
    ----------
    deferred
        Of a state from `initial_state`, or from the batch before with the same plan.
    now_ns
        No later batch holds a row before this.
    """
    if _changes_nothing(plan, deferred, batch, now_ns):
        if len(batch):
            held, newest_ns = (*deferred.held, batch), int(batch.time_ns[-1])
            deferred = replace(deferred, held=held, newest_ns=newest_ns)
        return None, deferred
    readings = batch
    if deferred.held:
        readings = _joined((*deferred.held, batch) if len(batch) else deferred.held)
    evaluation = evaluate_with_coverage(plan, deferred.state, readings, now_ns=now_ns)
    return evaluation, _calm_after(plan, evaluation.state)


def evaluate_held(plan: LimitPlan, deferred: DeferredState) -> EvaluationState:
    """Return the state after all readings so far, those that are held among them."""
    if not deferred.held:
        return deferred.state
    readings = _joined(deferred.held)
    now_ns = int(readings.time_ns[-1])
    evaluation = evaluate_with_coverage(plan, deferred.state, readings, now_ns=now_ns)
    assert not evaluation.changes, "they were held because they change nothing"
    assert not evaluation.coverage, "they were held because they change nothing"
    return evaluation.state


def _changes_nothing(
    plan: LimitPlan, deferred: DeferredState, batch: ReadingBatch, now_ns: int
) -> bool:
    if not len(batch) and not deferred.held:
        return now_ns < deferred.alone_until_ns
    if now_ns >= deferred.until_ns:
        return False
    if not len(batch):
        return now_ns - deferred.newest_ns < plan.calm_step_ns
    first_ns, last_ns = int(batch.time_ns[0]), int(batch.time_ns[-1])
    longest_ns = max(first_ns - deferred.newest_ns, last_ns - first_ns, now_ns - last_ns)
    if last_ns >= deferred.until_ns or longest_ns >= plan.calm_step_ns:
        return False
    if deferred.held and deferred.held[0].columns.keys() != batch.columns.keys():
        return False
    return deferred.bounds is not None and _are_between(deferred.bounds, batch)


def _are_between(bounds: ChannelBounds, batch: ReadingBatch) -> bool:
    """Return whether all values of a batch are; what is no value is between any two."""
    columns = [batch.columns[name] for name in bounds.channels if name in batch.columns]
    if not columns:
        return True
    # All channels at once: a few readings of many cost what those of one do.
    values, low, high = np.array(columns), bounds.low, bounds.high
    if len(columns) < len(bounds.channels):
        is_there = np.array([name in batch.columns for name in bounds.channels])
        low, high = low[is_there], high[is_there]
    return not (np.count_nonzero(values >= high) or np.count_nonzero(values <= low))


def _joined(batches: tuple[ReadingBatch, ...]) -> ReadingBatch:
    if len(batches) == 1:
        return batches[0]
    channels = dict.fromkeys(channel for batch in batches for channel in batch.columns)
    return ReadingBatch.concatenate(
        [_with_channels(batch, channels) for batch in batches], channels=tuple(channels)
    )


def _with_channels(batch: ReadingBatch, channels: dict[str, None]) -> ReadingBatch:
    """Return a batch with all of some channels; those that it lacks have no value."""
    if batch.columns.keys() == channels.keys():
        return batch
    lacking = {name: np.full(len(batch), np.nan) for name in channels}
    return replace(batch, columns={**lacking, **batch.columns})


def _calm_after(plan: LimitPlan, state: EvaluationState) -> DeferredState:
    """Return for how long, and with which readings, nothing can change after an evaluation."""
    at_ns = state.last_row_ns
    calm = DeferredState(
        state=state,
        alone_until_ns=min(
            [TIME_MAX_NS, *(one.changes_alone_ns(state.limits[one.name]) for one in plan.limits)]
        ),
    )
    if at_ns is None:
        return calm
    until_ns = at_ns + LONGEST_CALM_NS
    for name, judged in state.judged.items():
        if not judged.blind:
            unjudged_ns = state.received_ns - judged.judged_received_ns
            until_ns = min(until_ns, at_ns + plan.coverage[name].not_judged_after_ns - unjudged_ns)
    bounds: dict[str, tuple[float, float]] = {}
    for limit in plan.limits:
        values = limit.calm_bounds(
            state.limits[limit.name],
            state.memories.get(limit.name),
            at_ns=at_ns,
            until_ns=until_ns,
        )
        if isinstance(limit, ScoredLimit) and state.judged[limit.name].blind:
            # The next score says that it is judged again.
            values = limit.without_readings
        if values is None:
            return calm
        for channel, (low, high) in values.items():
            lowest, highest = bounds.get(channel, (low, high))
            bounds[channel] = max(low, lowest), min(high, highest)
    edges = np.array(list(bounds.values()), np.float64).reshape(-1, 2)
    return replace(
        calm,
        newest_ns=at_ns,
        until_ns=until_ns,
        bounds=ChannelBounds(tuple(bounds), edges[:, :1], edges[:, 1:]),
    )
