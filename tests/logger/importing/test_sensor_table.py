"""A table of values with times as readings: what is stated, and nothing guessed."""

from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from logger.errors import InputError
from logger.importing.sensor_table import SensorTable
from logger.joint.batch import ReadingBatch

S = 1_000_000_000
START_NS = 1_795_000_000 * S
CHANNEL = "temperature_ambient_degC"


def _rows(path: Path, **chosen) -> list[ReadingBatch]:
    settings = {"sensor": "probe", "time": "t", "columns": {CHANNEL: "T1"}, **chosen}
    return list(SensorTable(path=path, **settings))


def _series(path: Path, **chosen) -> tuple[list[int], list[float]]:
    batches = _rows(path, **chosen)
    times = np.concatenate([batch.time_ns for batch in batches])
    values = np.concatenate([batch.columns[CHANNEL] for batch in batches])
    return times.tolist(), values.tolist()


@pytest.mark.parametrize(
    ("times", "chosen"),
    [
        (["1795000000", "1795000001.5"], {}),
        (["1795000000000", "1795000001500"], {"unit": "ms"}),
        (["1795000000000000000", "1795000001500000000"], {"unit": "ns"}),
        (["2026-11-18T11:06:40Z", "2026-11-18T11:06:41.5Z"], {}),
        (["2026-11-18 12:06:40+01:00", "2026-11-18 12:06:41.500+01:00"], {}),
        (["2026-11-18 11:06:40", "2026-11-18 11:06:41.5"], {}),
        (["0", "1.5"], {"start_ns": START_NS}),
        (["7000", "8500"], {"unit": "ms", "start_ns": START_NS}),
    ],
)
def test_times_in_csv(tmp_path: Path, times: list[str], chosen: dict):
    """Numbers in a stated unit, ISO 8601 with or without a zone, counted from a stated start."""
    path = tmp_path / "probe.csv"
    path.write_text(
        "t,T1,other\n" + "".join(f"{one},{20 + at},x\n" for at, one in enumerate(times))
    )
    assert _series(path, **chosen) == ([START_NS, START_NS + 3 * S // 2], [20.0, 21.0])


@pytest.mark.parametrize("kind", ["zoned", "naive", "float", "int"])
def test_times_in_parquet(tmp_path: Path, kind: str):
    """The same from Parquet, whatever type its time column has."""
    moments = pd.to_datetime([START_NS, START_NS + 2 * S], utc=True)
    times: object = {
        "zoned": moments.tz_convert("Europe/Berlin"),
        "naive": moments.tz_localize(None),
        "float": [START_NS / S, START_NS / S + 2],
        "int": [START_NS // S, START_NS // S + 2],
    }[kind]
    path = tmp_path / "probe.parquet"
    pd.DataFrame({"t": times, "T1": [1, 2]}).to_parquet(path)
    assert _series(path) == ([START_NS, START_NS + 2 * S], [1.0, 2.0])


def test_blocks_and_empty_cells(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Read in blocks it is whole; an empty cell is no value, a row of them no row."""
    monkeypatch.setattr("logger.importing.sensor_table.CSV_BLOCK_BYTES", 400)
    path = tmp_path / "probe.csv"
    path.write_text(
        "t,T1,T2\n"
        + "".join(
            f"{1795000000 + at},{'' if at % 3 else at},{'' if at % 2 else at}\n"
            for at in range(300)
        )
    )
    columns = {CHANNEL: "T1", "temperature_drive_degC": "T2"}
    batches = _rows(path, columns=columns)
    assert len(batches) > 3
    times = np.concatenate([batch.time_ns for batch in batches])
    first = np.concatenate([batch.columns[CHANNEL] for batch in batches])
    kept = [at for at in range(300) if at % 3 == 0 or at % 2 == 0]
    assert times.tolist() == [START_NS + at * S for at in kept]
    assert np.isnan(first).tolist() == [at % 3 != 0 for at in kept]


def test_how_long_a_value_holds(tmp_path: Path):
    """Three periods of the first rows; one second where there is only one."""
    path = tmp_path / "probe.csv"
    path.write_text("t,T1\n" + "".join(f"{1795000000 + at * 10},1\n" for at in range(9)))
    rows = SensorTable(path=path, sensor="probe", time="t", columns={CHANNEL: "T1"})
    assert rows.hold_time_s() == 30.0
    path.write_text("t,T1\n1795000000,1\n")
    assert rows.hold_time_s() == 1.0


@pytest.mark.parametrize(
    ("name", "content", "chosen", "words"),
    [
        ("probe.csv", "t,T1\n1,2\n", {"time": "time"}, "no column 'time'"),
        ("probe.csv", "t,T1\n1,2\n", {"columns": {CHANNEL: "T2"}}, "no column 'T2'. Known: T1, t"),
        ("probe.csv", "t,T1\n1,2\n", {"columns": {"temperature": "T1"}}, "--column.*temperature_"),
        ("probe.csv", "t,T1\n1,2\n", {"unit": "h"}, "--time-unit: found 'h'"),
        ("probe.csv", "t,T1\n1,2\n2,hot\n", {}, "T1: row 2: found 'hot', expected a number"),
        ("probe.csv", "t,T1\nnoon,2\n", {}, "t: row 1: found 'noon'"),
        ("probe.csv", "t,T1\n1,2\n,3\n", {}, "t: row 2 has no time"),
        ("probe.csv", "t,T1\n1,2\n3,2\n2,2\n", {}, "row 3 goes back in time"),
        ("probe.csv", "", {}, "cannot be read"),
        ("probe.parquet", "no such thing", {}, "cannot be read"),
        ("probe.xlsx", "x", {}, "expected a table"),
    ],
)
def test_what_is_no_table(tmp_path: Path, name: str, content: str, chosen: dict, words: str):
    """File, column and row stand in one sentence."""
    (tmp_path / name).write_text(content)
    with pytest.raises(InputError, match=words):
        _rows(tmp_path / name, **chosen)


def test_no_such_table(tmp_path: Path):
    """A file that is not there is said so."""
    with pytest.raises(InputError, match="no such table"):
        _rows(tmp_path / "none.csv")


NANOS = [START_NS + 1, START_NS + 123_456_789, START_NS + S + 999_999_999]


@pytest.mark.parametrize(
    ("kind", "unit"),
    [
        *(("text", unit) for unit in ("s", "ms", "us", "ns", "iso")),
        *(("decimal", unit) for unit in ("s", "ms")),
        *(("int64", "ns"), ("uint64", "ns"), ("timestamp", "ns")),
    ],
)
def test_times_keep_their_nanoseconds(tmp_path: Path, kind: str, unit: str):
    """Whole numbers and decimals, in a text or a Parquet column: no digit is lost."""
    unit_ns = {"s": S, "ms": 10**6, "us": 1000}.get(unit, 1)
    written = [Decimal(at) / unit_ns for at in NANOS]
    chosen = {} if unit == "iso" else {"unit": unit}
    if kind == "text":
        times = [f"{at:f}" for at in written]
        if unit == "iso":
            times = [str(np.datetime64(at, "ns")) + "Z" for at in NANOS]
        path = tmp_path / "probe.csv"
        path.write_text("t,T1\n" + "".join(f"{at},1\n" for at in times))
    else:
        types = {
            "decimal": pa.decimal128(30, 9), "int64": pa.int64(), "uint64": pa.uint64(),
            "timestamp": pa.timestamp("ns"),
        }  # fmt: skip
        column = pa.array(written if kind == "decimal" else NANOS, types[kind])
        path = tmp_path / "probe.parquet"
        pq.write_table(pa.table({"t": column, "T1": [1.0, 2.0, 3.0]}), path)
    assert _series(path, **chosen)[0] == NANOS


@pytest.mark.parametrize(("unit", "unit_ns"), [("s", S), ("ms", 10**6), ("us", 1000)])
def test_floats_keep_their_microseconds(tmp_path: Path, unit: str, unit_ns: int):
    """A float of seconds since 1970 cannot hold nanoseconds; its microseconds are found exactly."""
    micros = (START_NS + np.arange(0, 5000, 7) * 1000).tolist()
    path = tmp_path / "probe.parquet"
    pd.DataFrame({"t": [at / unit_ns for at in micros], "T1": 1.0}).to_parquet(path)
    assert _series(path, unit=unit)[0] == micros


@pytest.mark.parametrize(
    ("kind", "times"),
    [("csv", [1, 1_795_000_000_000]), ("parquet", [1, 2**62]), ("parquet", [1.0, float("nan")])],
)
def test_numbers_that_are_no_times(tmp_path: Path, kind: str, times: list):
    """Milliseconds taken for seconds are no time: said, and never wrapped round to another one."""
    table = pa.table({"t": times, "T1": [1.0, 2.0]})
    path = tmp_path / f"probe.{kind}"
    (pa.csv.write_csv if kind == "csv" else pq.write_table)(table, path)
    with pytest.raises(InputError, match=r"t: found a time that is no time in s, in rows 1 to 2"):
        _rows(path)


def test_no_value_is_a_negative_zero(tmp_path: Path):
    """-0.0 of a table is 0, as from a joint."""
    path = tmp_path / "probe.csv"
    path.write_text("t,T1\n1795000000,-0.0\n")
    assert not np.signbit(_series(path)[1][0])
