"""Readings as rows: value for value what one mapping a row gives."""

import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.schema import ReadingsTable, readings_table, status_schema
from tests.support.depth import examples

SCHEMA = status_schema(scenario.scenario_bench(channel="x"))
CHANNELS = [field.name for field in SCHEMA if field.name not in {"time", "position_segment"}]
CODES = {field.name for field in SCHEMA if field.type == pa.int64()}


def _drawn(random: np.random.Generator, count: int) -> ReadingBatch:
    columns = {}
    for name in CHANNELS:
        if random.random() < 0.2:
            continue
        values = random.normal(size=count)
        if name in CODES:
            values = np.round(values * 2.0**40)
        values[random.random(count) < random.choice([0.0, 0.3, 1.0])] = math.nan
        columns[name] = values
    return ReadingBatch(
        joint="shoulder",
        time_ns=np.sort(random.integers(0, 2**60, count)),
        position_segment=random.integers(-1, 3, count).astype(np.int32),
        columns=columns,
    )


def _plainly(batch: ReadingBatch) -> pa.RecordBatch:
    rows = []
    for row in range(len(batch)):
        segment = int(batch.position_segment[row])
        values: dict[str, object] = {
            "time": int(batch.time_ns[row]),
            "position_segment": None if segment < 0 else segment,
        }
        for name, column in batch.columns.items():
            value = float(column[row])
            values[name] = None if math.isnan(value) else int(value) if name in CODES else value
        rows.append(values)
    return pa.RecordBatch.from_pylist(rows, schema=SCHEMA)


@settings(max_examples=examples(100))
@given(seed=st.integers(0, 2**32), count=st.integers(0, 40))
def test_rows_are_those_of_plain_mappings(seed: int, count: int):
    """Any channels, some without a value, some missing: the same rows, whole and sound."""
    batch = _drawn(np.random.default_rng(seed), count)
    rows = ReadingsTable(SCHEMA).rows(batch)
    rows.validate(full=True)
    assert rows.equals(_plainly(batch))
    assert [column.null_count for column in rows.columns] == [
        column.null_count for column in _plainly(batch).columns
    ]


@pytest.mark.parametrize("value", [0.5, 2.0**63, math.inf])
def test_what_is_no_code_is_not_stored_as_another(value: float):
    """A code that no whole number holds is a fault, never another code."""
    batch = ReadingBatch(
        joint="shoulder",
        time_ns=np.array([1, 2]),
        position_segment=np.array([-1, -1], np.int32),
        columns={"fault_code": np.array([math.nan, value])},
    )
    with pytest.raises(pa.ArrowInvalid):
        readings_table(batch, SCHEMA)
