"""The columns of what is computed live of a joint: figures, forecasts and their bands."""

from typing import Final

import pyarrow as pa

__all__ = ["COURSE_SCHEMA", "DERIVED_SCHEMA", "FORECAST_SCHEMA", "TIME_TYPE", "time_field"]

TIME_TYPE: Final = pa.timestamp("ns", tz="UTC")


def time_field() -> pa.Field:
    """Return the column of times, the first of every stream."""
    return pa.field("time", TIME_TYPE, nullable=False)


DERIVED_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("torque_rms_60s_Nm", pa.float64(), metadata={b"ucum": b"N.m"}),
        *(
            pa.field(f"{node}_{what}", pa.float64(), metadata={b"ucum": unit})
            for node in ("winding", "housing", "ambient")
            for what, unit in (("estimated_degC", b"Cel"), ("uncertainty_K", b"K"))
        ),
    ]
)
"""Figures computed live for a joint, once a second; the estimates of joints whose bench file has
their `thermal` model, with their standard uncertainties. Of a model without a winding the node that
its sensor is on stands there alone."""

FORECAST_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("state", pa.string(), nullable=False),
        pa.field("since", TIME_TYPE),
        pa.field("channel", pa.string()),
        pa.field("level_degC", pa.float64(), metadata={b"ucum": b"Cel"}),
        pa.field("is_rising", pa.bool_()),
        pa.field("probability", pa.float64(), metadata={b"ucum": b"1"}),
        *(
            pa.field(name, pa.float64(), metadata={b"ucum": b"s"})
            for name in ("soonest_s", "median_s", "latest_s")
        ),
        *(
            pa.field(name, pa.float64(), metadata={b"ucum": b"Cel"})
            for name in ("settled_low_degC", "settled_degC", "settled_high_degC")
        ),
        pa.field("load", pa.string()),
        pa.field("period_s", pa.float64(), metadata={b"ucum": b"s"}),
        pa.field("judged", pa.int64()),
        pa.field("held", pa.int64()),
    ]
)
"""What was forecast of a joint, every ten seconds while it was recorded. First a row without a
level for each channel: where it settles, what load was assumed, how many of the `judged` forecasts
before `held`; then one for each level: 5, 50 and 95 % of when it is reached, null for not within
the hour. A row without a channel: nothing is forecast, and `state` says why, since when."""

COURSE_SCHEMA: Final = pa.schema(
    [
        time_field(),
        pa.field("channel", pa.string(), nullable=False),
        pa.field("ahead_s", pa.float64(), metadata={b"ucum": b"s"}),
        *(
            pa.field(name, pa.float64(), metadata={b"ucum": b"Cel"})
            for name in ("low_degC", "median_degC", "high_degC")
        ),
    ]
)
"""The band of each forecast: 5, 50 and 95 % of a temperature some time ahead."""
