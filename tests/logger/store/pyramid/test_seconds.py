"""The pyramid: any split of a trace into parts gives what plain loops over the whole give."""

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets, merge_buckets
from logger.store.parts.part import Part, list_parts
from logger.store.parts.part_writer import write_part
from logger.store.pyramid.seconds import (
    BASE_NS,
    PyramidCarry,
    add_rows,
    buckets_of_tables,
    carry_from,
    gap_limit_ns,
    overview_table,
)
from tests.support.depth import examples

S = 1_000_000_000
START_NS = 1_795_000_000_000_000_000
HOLD_NS = {"torque_Nm": 400_000_000, "temperature_housing_degC": 1_300_000_000}


@st.composite
def _traces(draw: st.DrawFn) -> ReadingBatch:
    """Irregular periods, several readings at one instant, gaps, and channels that come and go."""
    n = draw(st.integers(1, 120))
    dice = np.random.default_rng(draw(st.integers(0, 2**31)))
    steps = dice.choice([0, 1, 1_000_000, 37_000_001, 250_000_000, 5 * S], n)
    columns = {}
    for channel in HOLD_NS:
        values = np.round(dice.normal(3.0, 10.0, n), 3)
        values[dice.random(n) < dice.choice([0.0, 0.4, 0.95, 1.0])] = np.nan
        columns[channel] = values
    return ReadingBatch(
        joint="a",
        time_ns=START_NS + np.cumsum(steps),
        position_segment=np.full(n, -1, np.int32),
        columns=columns,
    )


def _plainly(time_ns: list[int], value: list[float], *, hold_ns: int, until_ns: int) -> dict:
    """Return start -> [n, held s, integral, integral of squares, min, max, first, last]."""
    seconds: dict[int, list] = {}
    for index, (at, held) in enumerate(zip(time_ns, value, strict=True)):
        following = time_ns[index + 1] if index + 1 < len(time_ns) else max(until_ns, at)
        end = min(following, at + hold_ns)
        second = at // S
        while True:
            begin = max(at, second * S)
            stop = min(end, (second + 1) * S)
            span_s = max(stop - begin, 0) * 1e-9
            row = seconds.setdefault(second * S, [0, 0.0, 0.0, 0.0, held, held, held, held])
            row[0] += 1 if second == at // S else 0
            row[1] += span_s
            row[2] += span_s * held
            row[3] += span_s * held * held
            row[4], row[5], row[7] = min(row[4], held), max(row[5], held), held
            second += 1
            if second * S >= end:
                break
    return seconds


def _grown(batch: ReadingBatch, cuts: list[int], *, until_ns: int) -> tuple[dict, list]:
    """Return channel -> buckets of all parts, and the gaps, through the files' own form."""
    carry, tables, gaps = PyramidCarry(), [], []
    edges = [0, *sorted(min(cut, len(batch)) for cut in cuts), len(batch)]
    for low, high in zip(edges, [*edges[1:], None], strict=True):
        last = high is None
        part = batch.select_rows(slice(low, high) if not last else slice(0, 0))
        buckets, carry = add_rows(carry, part, hold_ns=HOLD_NS, until_ns=until_ns if last else None)
        table = overview_table(buckets, carry)
        carry = carry_from(table.schema.metadata)
        tables.append(table)
        gaps += carry.gaps
    assert carry.is_closed
    return {channel: buckets_of_tables(tables, channel) for channel in HOLD_NS}, gaps


@settings(max_examples=examples(120))
@given(_traces(), st.lists(st.integers(0, 120), max_size=6), st.integers(0, 3 * S))
def test_any_split_gives_what_plain_loops_give(batch: ReadingBatch, cuts: list[int], more_ns: int):
    """Counts, held time, mean, spread, extremes, first and last of every second; and the gaps."""
    until_ns = int(batch.time_ns[-1]) + more_ns
    found, gaps = _grown(batch, cuts, until_ns=until_ns)
    for channel, buckets in found.items():
        time_ns, value = batch.channel_series(channel)
        plain = _plainly(
            time_ns.tolist(), value.tolist(), hold_ns=HOLD_NS[channel], until_ns=until_ns
        )
        assert buckets.start_ns.tolist() == sorted(plain)
        for row, start in enumerate(buckets.start_ns.tolist()):
            n, held_s, integral, squares, low, high, first, last = plain[start]
            assert buckets.n[row] == n
            assert buckets.duration_s[row] == pytest.approx(held_s, abs=1e-12)
            assert (buckets.minimum[row], buckets.maximum[row]) == (low, high)
            assert (buckets.first[row], buckets.last[row]) == (first, last)
            if held_s > 1e-6:
                mean = integral / held_s
                assert buckets.mean[row] == pytest.approx(mean, rel=1e-9, abs=1e-9)
                spread = max(squares / held_s - mean * mean, 0.0)
                assert buckets.m2[row] / held_s == pytest.approx(spread, rel=1e-6, abs=1e-6)
    times = batch.time_ns.tolist()
    assert gaps == [
        (before, after)
        for before, after in pairwise(times)
        if after - before > gap_limit_ns(HOLD_NS)
    ]


@settings(max_examples=examples(60))
@given(_traces(), st.integers(0, 120), st.integers(0, 120))
def test_merging_is_associative(batch: ReadingBatch, one: int, other: int):
    """Buckets of three stretches: whichever two are merged first."""
    low, high = sorted((min(one, len(batch)), min(other, len(batch))))
    carry, parts = PyramidCarry(), []
    for rows in (slice(0, low), slice(low, high), slice(high, None)):
        buckets, carry = add_rows(carry, batch.select_rows(rows), hold_ns=HOLD_NS)
        parts.append(buckets.get("torque_Nm", Buckets.empty(BASE_NS)))
    left = merge_buckets([merge_buckets(parts[:2]), parts[2]])
    right = merge_buckets([parts[0], merge_buckets(parts[1:])])
    for name, values in left.value_columns().items():
        np.testing.assert_allclose(values, right.value_columns()[name], rtol=1e-9, atol=1e-9)


def test_what_is_carried_survives_the_file(tmp_path: Path):
    """Nothing to tell yet: an overview of no rows still hands on its carry."""
    carry = PyramidCarry(last={"torque_Nm": (5, -0.1)}, last_row_ns=7, gaps=((1, 2),))
    write_part(tmp_path, overview_table({}, carry), first_row=0, end_row=10)
    (part,) = list_parts(tmp_path)
    assert (part.first_row, part.end_row, part.spans) == (0, 10, ())
    assert carry_from(part.metadata) == carry
    assert part.read_span(start_ns=0, end_ns=2**62) is None
    assert carry_from({}) == PyramidCarry()
    assert math.isfinite(PyramidCarry().is_closed)
    assert Part(location=tmp_path / "none", first_row=0, end_row=1).verify_error
