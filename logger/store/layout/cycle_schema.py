"""The columns of what is recorded of a campaign: its cycles, their rules, the plan's progress."""

from collections.abc import Sequence
from typing import Final

import pyarrow as pa

from logger.campaign.cycle_figures import cycle_figure_names, figure_unit
from logger.store.layout.derived_schema import TIME_TYPE, time_field

__all__ = ["CYCLE_HEAD_SCHEMA", "CYCLE_RULE_SCHEMA", "PROGRESS_SCHEMA", "cycles_schema"]

CYCLE_HEAD_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("start", TIME_TYPE, nullable=False),
        pa.field("cycle", pa.int64(), nullable=False),
        pa.field("kind", pa.string(), nullable=False),
        pa.field("stage", pa.string()),
    ]
)
"""What every cycle has: `time` is its end, `cycle` its number from 1, `kind` one of `CycleKind`,
`stage` the stage of the plan in which it ended."""

CYCLE_RULE_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("first_cycle", pa.int64(), nullable=False),
        pa.field("channel", pa.string(), nullable=False),
        pa.field("low", pa.float64(), nullable=False),
        pa.field("high", pa.float64(), nullable=False),
        pa.field("typical_s", pa.float64(), metadata={b"ucum": b"s"}),
        pa.field("lowest", pa.float64()),
        pa.field("highest", pa.float64()),
        pa.field("learned", TIME_TYPE, nullable=False),
    ]
)
"""Each rule by which cycles were counted, from `first_cycle` on: one begins when the channel,
having been at or below `low`, is at or above `high`, in its own unit. Learned from readings until
`learned`, between `lowest` and `highest`."""

PROGRESS_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("stage", pa.string()),
        pa.field("index", pa.int64(), nullable=False),
        pa.field("cycles", pa.int64(), nullable=False),
        pa.field("stage_cycles", pa.int64(), nullable=False),
        pa.field("share", pa.float64(), metadata={b"ucum": b"1"}),
        pa.field("expected", TIME_TYPE),
        pa.field("hottest_degC", pa.float64(), metadata={b"ucum": b"Cel"}),
    ]
)
"""How far the plan is, every ten seconds: the stage (null: all have ended) and its place in the
plan, cycles so far and in the stage, the share of it that is done, when it is expected to end, and
the joint's hottest temperature."""


def cycles_schema(channels: Sequence[str], *, has_winding: bool) -> pa.Schema:
    """Return the columns of the cycles of a joint with these channels; null: not known."""
    figures = [
        pa.field(name, pa.float64(), metadata={b"ucum": figure_unit(name).encode()})
        for name in cycle_figure_names(channels, has_winding=has_winding)
    ]
    return pa.schema([*CYCLE_HEAD_SCHEMA, *figures])
