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
from logger.importing.tables.value_table import ValueTable
from logger.joint.batch import ReadingBatch
from logger.joint.bench.table_settings import TableSettings

S = 1_000_000_000
START_NS = 1_795_000_000 * S
CHANNEL = "temperature_ambient_degC"


def _table(path: Path, *, columns: dict[str, str] | None = None, **chosen) -> ValueTable:
    own = {key: chosen.pop(key) for key in ("start_ns", "shift_ns") if key in chosen}
    return ValueTable(
        path=path,
        settings=TableSettings.model_validate({"time": "t", **chosen}),
        columns={"probe": columns or {CHANNEL: "T1"}},
        **own,
    )


def _rows(path: Path, **chosen) -> list[ReadingBatch]:
    return [batch for block in _table(path, **chosen) for batch in block]


def _series(path: Path, **chosen) -> tuple[list[int], list[float]]:
    batches = _rows(path, **chosen)
    times = np.concatenate([batch.time_ns for batch in batches])
    values = np.concatenate([batch.columns[CHANNEL] for batch in batches])
    return times.tolist(), values.tolist()


@pytest.mark.parametrize(
    ("times", "chosen"),
    [
        (["1795000000", "1795000001.5"], {}),
        (["1795000000000", "1795000001500"], {"time_unit": "ms"}),
        (["1795000000000000000", "1795000001500000000"], {"time_unit": "ns"}),
        (["2026-11-18T11:06:40Z", "2026-11-18T11:06:41.5Z"], {}),
        (["2026-11-18 12:06:40+01:00", "2026-11-18 12:06:41.500+01:00"], {}),
        (["2026-11-18 11:06:40", "2026-11-18 11:06:41.5"], {}),
        (["0", "1.5"], {"start_ns": START_NS}),
        (["7000", "8500"], {"time_unit": "ms", "start_ns": START_NS}),
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
    monkeypatch.setattr("logger.importing.tables.table_file.CSV_BLOCK_BYTES", 400)
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


def test_how_long_a_value_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Three periods of the first rows; one second where there is only one."""
    path = tmp_path / "probe.csv"
    path.write_text("t,T1\n" + "".join(f"{1795000000 + at * 10},1\n" for at in range(9)))
    rows = _table(path)
    assert rows.hold_times_s() == {"probe": {CHANNEL: 30.0}}
    late = "".join(f"{at},{at if at > 900 and at % 4 == 0 else ''},1\n" for at in range(1000))
    path.write_text("t,T1,T2\n" + late)
    monkeypatch.setattr("logger.importing.tables.table_file.CSV_BLOCK_BYTES", 1000)
    sparse = _table(path, columns={CHANNEL: "T1", "temperature_drive_degC": "T2"})
    assert sparse.hold_times_s() == {"probe": {CHANNEL: 12.0, "temperature_drive_degC": 3.0}}
    path.write_text("t,T1\n1795000000,1\n")
    assert rows.hold_times_s() == {"probe": {CHANNEL: 1.0}}


@pytest.mark.parametrize(
    ("name", "content", "chosen", "words"),
    [
        ("probe.csv", "t,T1\n1,2\n", {"time": "time"}, "no column 'time'"),
        ("probe.csv", "t,T1\n1,2\n", {"columns": {CHANNEL: "T2"}}, "no column 'T2'. Known: T1, t"),
        ("probe.csv", "t,T1\n1,2\n", {"columns": {"temperature": "T1"}}, "--column.*temperature_"),
        ("probe.csv", "t,T1\n1,hot\n2,\n", {}, "not one cell of 'T1' is a number.*'hot' in row 1"),
        ("probe.csv", "t,T1\nnoon,2\n", {}, "not one cell of 't' is a time.*'noon' in row 1"),
        ("probe.csv", "t,T1\n", {}, "found no row"),
        ("probe.csv", "t,T1,T1\n1,2,3\n", {}, "found 2 columns of the name 'T1'"),
        ("probe.csv", "t,T1\n1,Gr\udcfcn\n", {}, "cannot be read.*--encoding"),
        ("probe.csv", 't;T1\n1;"20,5"\n', {}, "T1: row 1: found '20,5'.*say --decimal ','"),
        ("probe.csv", "t,T1\n1,2\n3,2\n2,2\n", {}, "row 3 goes back in time"),
        ("probe.csv", "", {}, "cannot be read"),
        ("probe.parquet", "no such thing", {}, "cannot be read"),
        ("probe.xlsx", "x", {}, "expected a table"),
    ],
)
def test_what_is_no_table(tmp_path: Path, name: str, content: str, chosen: dict, words: str):
    """File, column and row stand in one sentence."""
    (tmp_path / name).write_text(content, errors="surrogateescape")
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
    chosen = {} if unit == "iso" else {"time_unit": unit}
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
    assert _series(path, time_unit=unit)[0] == micros


@pytest.mark.parametrize(
    ("kind", "times"),
    [("csv", [1, 1_795_000_000_000]), ("parquet", [1, 2**62]), ("parquet", [1.0, 1e300])],
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


def test_what_cannot_be_read_is_told_with_its_row(tmp_path: Path):
    """Text, blanks, rows without a time or with too many cells: the rest is kept."""
    path = tmp_path / "probe.csv"
    path.write_text(
        "t,T1\n1,20\n2,n/a\n3,\n,23\n5,24,25\n\nlate,26\n7, 27 \n8,inf\n9,29\n", encoding="utf-8"
    )
    table = _table(path)
    (batch,) = (batch for block in table for batch in block)
    assert batch.time_ns.tolist() == [1 * S, 7 * S, 9 * S]
    assert batch.columns[CHANNEL].tolist() == [20.0, 27.0, 29.0]
    assert table.unread_count() == 4
    assert table.unread() == [
        {
            "column": "t", "unread": 1, "blank": 1, "first": [{"row": 6, "found": "late"}],
            "blank_rows": [4],
        },
        {
            "column": "T1", "unread": 2, "blank": 1,
            "first": [{"row": 2, "found": "n/a"}, {"row": 8, "found": "inf"}], "blank_rows": [3],
        },
    ]  # fmt: skip
    said = " ".join(table.sentences())
    assert "1 row left out, with another number of cells than there are columns: row 5" in said
    assert "'n/a' in row 2, 'inf' in row 8" in said
    assert "T1: 1 blank cell, in row 3" in said


def test_odd_types_of_parquet(tmp_path: Path):
    """Categories are their values, a time beyond all nanoseconds is none, a list is refused."""
    path = tmp_path / "probe.parquet"
    years = pa.array([0, 1_000_000, 10**17, None], pa.timestamp("us"))
    labels = pa.array(["20", "x", "22", "23"]).dictionary_encode()
    pq.write_table(pa.table({"t": years, "T1": labels, "L": [[1.0], [2.0], [3.0], [4.0]]}), path)
    table = _table(path)
    (batch,) = (batch for block in table for batch in block)
    assert (batch.time_ns.tolist(), batch.columns[CHANNEL].tolist()) == ([0], [20.0])
    assert [(one["column"], one["unread"], one["blank"]) for one in table.unread()] == [
        ("t", 1, 1),
        ("T1", 1, 0),
    ]
    for wrong in ({"columns": {CHANNEL: "L"}}, {"time": ("t", "L")}, {"time": "L"}):
        with pytest.raises(InputError):
            _rows(path, **wrong)


def test_a_code_is_a_whole_number(tmp_path: Path):
    """Half of one is none: reported by its row, not rounded."""
    path = tmp_path / "probe.csv"
    path.write_text("t,E\n1,3\n2,3.5\n3,4.0\n")
    table = _table(path, columns={"fault_code": "E"})
    (batch,) = (batch for block in table for batch in block)
    assert batch.columns["fault_code"].tolist() == [3.0, 4.0]
    assert table.unread()[0]["first"] == [{"row": 2, "found": "3.5"}]


def test_rows_keep_their_numbers_across_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A bad cell far down is told by its own row, uneven rows before it counted."""
    monkeypatch.setattr("logger.importing.tables.table_file.CSV_BLOCK_BYTES", 300)
    lines = [f"{at},{at}" for at in range(1, 501)]
    lines[99], lines[249], lines[449] = "100,1,2", "250,bad", "450,worse"
    path = tmp_path / "probe.csv"
    path.write_text("t,T1\n" + "\n".join(lines) + "\n", encoding="utf-8")
    table = _table(path)
    kept = sum(len(batch) for block in table for batch in block)
    assert kept == 497
    assert table.unread()[0]["first"] == [
        {"row": 250, "found": "bad"},
        {"row": 450, "found": "worse"},
    ]
    assert "row 100" in " ".join(table.sentences())


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_the_separator_is_the_one_that_parts_the_columns(tmp_path: Path, separator: str):
    """Found by the names that are wanted, with a mark of byte order before them."""
    path = tmp_path / "probe.csv"
    rows = [["t", "T1", "a b"], ["1", "20", "x"]]
    path.write_text("\ufeff" + "\n".join(separator.join(row) for row in rows), encoding="utf-8")
    assert _series(path) == ([S], [20.0])


def test_decimal_commas_two_time_columns_and_a_zone(tmp_path: Path):
    """As an instrument set to German writes it, in another encoding, below two lines of its own."""
    path = tmp_path / "probe.csv"
    path.write_text(
        "Messung 3\nGerät\nDatum;Zeit;Temperatur °C\n"
        "25.11.2026;10:30:00,25;20,5\n25.11.2026;10:30:01,5;-1.5\n5.12.2026;9:00:00;1e-1\n",
        encoding="cp1252",
    )
    table = _table(
        path, time=("Datum", "Zeit"), columns={CHANNEL: "Temperatur °C"}, decimal=",",
        zone="Europe/Berlin", encoding="cp1252", skip_lines=2,
    )  # fmt: skip
    with pytest.raises(InputError, match=r"row 2: found '-1.5'.*say --decimal '.'"):
        list(table)
    path.write_text(path.read_text("cp1252").replace("-1.5", "-1,5"), encoding="cp1252")
    (batch,) = (batch for block in table for batch in block)
    assert batch.columns[CHANNEL].tolist() == [20.5, -1.5, 0.1]
    moments = ["2026-11-25T09:30:00.25", "2026-11-25T09:30:01.5", "2026-12-05T08:00:00"]
    assert batch.time_ns.tolist() == [int(np.datetime64(one, "ns").astype(int)) for one in moments]


def test_a_stated_format(tmp_path: Path):
    """Month first, and the digits behind the seconds exact."""
    path = tmp_path / "probe.csv"
    path.write_text("t,T1\n11/25/2026 09:30:00.123456789,1\n25/11/2026 09:30:01,2\n")
    table = _table(path, time_format="%m/%d/%Y %H:%M:%S")
    (batch,) = (batch for block in table for batch in block)
    assert batch.time_ns.tolist() == [
        int(np.datetime64("2026-11-25T09:30:00.123456789", "ns").astype(int))
    ]
    assert "'25/11/2026 09:30:01' in row 2" in " ".join(table.sentences())


def test_the_hour_that_a_zone_has_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Told apart by the order of the rows, across blocks as well; one that it skips is none."""
    path = tmp_path / "probe.csv"
    local = [*range(90, 180, 5), *range(120, 200, 5)]  # minutes of 25 October 2026
    lines = [f"2026-10-25 {at // 60:02}:{at % 60:02}:00,1" for at in local]
    path.write_text("t,T1\n" + "\n".join(lines) + "\n")
    expected = [
        np.datetime64("2026-10-24T23:30", "ns").astype(int) + 5 * 60 * S * at
        for at in range(len(local))
    ]
    for block_bytes in (1 << 20, 100):
        monkeypatch.setattr("logger.importing.tables.table_file.CSV_BLOCK_BYTES", block_bytes)
        assert _series(path, zone="Europe/Berlin")[0] == expected
    with pytest.raises(InputError, match=r"goes back in time.*--zone"):
        _series(path)
    path.write_text("t,T1\n2026-03-29 01:59:00,1\n2026-03-29 02:30:00,2\n2026-03-29 03:00:00,3\n")
    table = _table(path, zone="Europe/Berlin")
    (batch,) = (batch for block in table for batch in block)
    assert np.diff(batch.time_ns).tolist() == [60 * S]
    assert "2026-03-29T02:30:00" in " ".join(table.sentences())
    assert "which Europe/Berlin skips in row 2" in " ".join(table.sentences()).replace("'", "")


def test_a_column_is_converted_on_the_way_and_times_are_shifted(tmp_path: Path):
    """By numbers with units; what gives no finite number is no value."""
    path = tmp_path / "probe.csv"
    path.write_text("t,load_kg\n1,2\n2,0\n")
    expression = "load_kg * 9.80665 [m/s2] * 344 [mm]"
    (batch,) = _rows(path, columns={"torque_Nm": expression}, shift_ns=-(S // 2))
    assert batch.columns["torque_Nm"].tolist() == pytest.approx([2 * 9.80665 * 0.344, 0.0])
    assert batch.time_ns.tolist() == [S // 2, 3 * S // 2]
    with pytest.raises(InputError, match=r"name says kg, expected N\.m"):
        _rows(path, columns={"torque_Nm": "load_kg"})
