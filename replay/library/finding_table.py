"""What evaluations found out, as a pandas table: a row for each quantity of each finding."""

from typing import Final

import pandas as pd

from replay.library.frames import table_of
from replay.recording import Recording

__all__ = ["finding_table"]

_COLUMNS: Final = (
    "finding", "made", "kind", "joint", "serial", "type", "quantity", "value", "unit",
    "standard_uncertainty", "low", "high", "degrees_of_freedom", "interval_by", "conditions",
    "method", "start", "end", "replaced",
)  # fmt: skip


def finding_table(recording: Recording) -> pd.DataFrame:
    """Return the findings: see `RecordingTables.findings`."""
    stored = recording.read_findings()
    current = {one.id for one in stored.current}
    rows = [
        {
            "finding": one.id, "made": one.made_ns, "kind": one.kind, "joint": one.joint,
            "serial": one.serial, "type": one.type, "quantity": quantity.name,
            "value": quantity.value, "unit": quantity.unit,
            "standard_uncertainty": quantity.standard_uncertainty,
            "low": quantity.low, "high": quantity.high,
            "degrees_of_freedom": quantity.degrees_of_freedom,
            "interval_by": quantity.interval_by.value,
            "conditions": quantity.conditions, "method": one.method.name,
            "start": min((span.from_ns for span in one.spans), default=None),
            "end": max((span.to_ns for span in one.spans), default=None),
            "replaced": one.id not in current,
        }
        for one in stored.findings
        for quantity in one.quantities
    ]  # fmt: skip
    return table_of(rows, _COLUMNS, times=("made", "start", "end"), units={})
