"""Spans that notes name, held against what a kind's steps take. Pure."""

from collections.abc import Iterator, Sequence

import numpy as np

from logger.arrays import to_s
from logger.store.layout.events import Event
from replay.measure.noted_spans import noted_spans
from replay.measure.procedure import Procedure
from replay.measure.progress import step_progress, steps_of_way
from replay.measure.readiness.needed import Needed

__all__ = ["needed_spans"]


def needed_spans(
    procedure: Procedure, notes: Sequence[Event], end_ns: int | None
) -> Iterator[Needed]:
    """Yield for each way of a kind that takes spans alone what there is of them, where there is.

    Parameters
    ----------
    end_ns
        End of the recording; None while it goes on.
    """
    spans = noted_spans(notes, procedure, end_ns)
    for way in [one.code for one in procedure.ways] or [""]:
        steps = [one for one in steps_of_way(procedure, way) if one.wants]
        if not steps or not all(one.spans for one in steps):
            continue
        progress = step_progress(procedure, way=way, spans=[one.name for one in spans])
        have = max(one.have for one in progress)
        if not have:
            continue
        missing = sum(one.missing for one in progress)
        usual_s = float(np.median([to_s(one.end_ns - one.start_ns) for one in spans]))
        yield Needed(
            kind=procedure.name,
            what=f"span named {steps[0].spans[0]}",
            many=f"spans named {steps[0].spans[0]}",
            have=have,
            wants=have + missing,
            left_s=missing * usual_s,
        )
