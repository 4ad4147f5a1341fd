"""A table as a recording of its own: limits, figures and cuts work on it as on any other."""

import threading
from pathlib import Path

import numpy as np
import pytest

from logger.errors import InputError, OutsideFault
from logger.importing.redecode import redecode_frames
from logger.importing.tables.import_table import TableImport, import_table, table_bench, value_table
from logger.joint.bench.bench import read_bench
from logger.limits.limit import LimitSet, parse_limits
from logger.simulate import scenario
from logger.store.tools.cut import copy_span
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.excursions.recorded import recorded_excursions
from replay.recording import Recording
from replay.statistics import span_statistics

S = 1_000_000_000
START_NS = 1_795_000_000 * S
BENCH = """\
# Kept as it is typed.
[table]
time = "time"

[[joint]]
name   = "shoulder"
rated  = { torque = 10.0 }
torque = { from = "current", per_ampere = 2.0 }
  [joint.column]
  current_A                = "shoulder_current_A"
  temperature_housing_degC = "shoulder_T / 2"

[[joint]]
name   = "elbow"
hold_s = 4.0
  [joint.column]
  current_A    = "elbow_current_mA [mA]"
  position_rad = "elbow_deg [deg]"
"""
LIMITS = """
format = 1
[[limit]]
name = "strong"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above_rated = 0.55
[[limit]]
name = "silent"
kind = "silence"
severity = "warning"
after_s = 20.0
"""


def _write_arm(path: Path, *, gap_after: int = 300) -> None:
    """Write ten minutes of two joints, a row a second, a minute without rows in the middle."""
    seconds = np.arange(600) + 60 * (np.arange(600) >= gap_after)
    rows = [
        f"{1_795_000_000 + at},{2 + (at % 100 == 7)},{60 + at / 50},{at % 5 or ''},{at / 10}"
        for at in seconds.tolist()
    ]
    head = "time,shoulder_current_A,shoulder_T,elbow_current_mA,elbow_deg"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")


def _import(folder: Path, text: str = BENCH, **chosen) -> TableImport:
    bench = table_bench(text, {}, {}, "bench.toml")
    return import_table(
        value_table(bench, folder / "arm.csv"),
        bench=bench,
        limits=chosen.pop("limits", parse_limits(LIMITS, "limits.toml")),
        out=lambda _first_ns: folder / "rec",
        name="arm",
        **chosen,
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with the table."""
    _write_arm(tmp_path / "arm.csv")
    return tmp_path


def test_each_joint_has_its_columns(folder: Path):
    """Converted on the way, torque derived as the bench says, blanks told."""
    made = _import(folder)
    assert made.readings == {"shoulder": 600, "elbow": 600}
    assert made.rows == 600
    assert [one["column"] for one in made.unread] == ["elbow_current_mA"]
    recording = Recording.open(folder / "rec")
    assert (recording.start_ns, recording.end_ns) == (START_NS, START_NS + 659 * S + 1)
    assert recording.channels("shoulder") == (
        "temperature_housing_degC", "current_A", "torque_Nm",
    )  # fmt: skip
    shoulder = recording.read_readings("shoulder", START_NS, START_NS + 10 * S)
    assert shoulder.columns["torque_Nm"].tolist() == [*[4.0] * 7, 6.0, 4.0, 4.0]
    assert shoulder.columns["temperature_housing_degC"][:2].tolist() == [30.0, 30.01]
    elbow = recording.read_readings("elbow", START_NS, START_NS + 4 * S)
    np.testing.assert_array_equal(elbow.columns["current_A"], [np.nan, 1e-3, 2e-3, 3e-3])
    assert elbow.columns["position_rad"][3] == pytest.approx(np.radians(0.3))
    assert elbow.position_segment.tolist() == [0] * 4
    found = span_statistics(recording, "shoulder", "torque_Nm", START_NS, START_NS + 100 * S)
    assert found.mean == pytest.approx(4.02)
    assert "# Kept as it is typed." in recording.manifest.bench
    holds = recording.hold_ns("shoulder"), recording.hold_ns("elbow")
    assert holds[0] == dict.fromkeys(recording.channels("shoulder"), 3 * S)
    assert holds[1] == dict.fromkeys(recording.channels("elbow"), 4 * S)


def test_limits_are_evaluated_as_over_frames(folder: Path):
    """What they raised stands in the events; evaluated again over the rows it is the same."""
    _import(folder)
    recording = Recording.open(folder / "rec")
    raised = recorded_excursions(recording)
    assert [(one.joint, one.limit) for one in raised].count(("shoulder", "strong")) == 6
    assert {(one.joint, one.limit) for one in raised} == {
        ("shoulder", "strong"), ("shoulder", "silent"), ("elbow", "silent"),
    }  # fmt: skip
    again = find_excursions(recording, recording.limits)
    assert [(one.limit, one.start_ns) for one in again] == [
        (one.limit, one.start_ns) for one in raised
    ]


def test_it_is_checked_and_cut_like_any_other(folder: Path):
    """Whole; its gap is one of the table and nobody's silence; a cut of it reads the same."""
    _import(folder)
    found = check_recording(Recording.open(folder / "rec"))
    assert found.is_complete
    assert {gap.cause for gap in found.gaps} == {"no value in the table"}
    copy_span(
        folder / "rec", out=folder / "piece", start_ns=START_NS + 10 * S, end_ns=START_NS + 20 * S
    )
    piece = Recording.open(folder / "piece")
    assert piece.read_readings("elbow", START_NS + 10 * S, piece.end_ns).time_ns.size == 10


def test_a_strange_value_is_told_and_stored(folder: Path):
    """Counts taken for degrees: once for the channel, with its value."""
    made = _import(folder, BENCH.replace("shoulder_T / 2", "shoulder_T * 100"))
    (remark,) = made.remarks[1:]
    assert "temperature_housing_degC of 6000 lies outside -60 to 250" in remark
    kinds = [event.kind for event in Recording.open(folder / "rec").read_events()]
    assert kinds.count("strange value") == 1


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('time = "time"', 'time = ["a", "b", "c"]', "table.time: found 3 columns"),
        ('time = "time"', 'zone = "Mars/Base"\ntime = "time"', "table.zone: found 'Mars/Base'"),
        ('time = "time"', 'encoding = "morse"\ntime = "time"', "table.encoding: found 'morse'"),
        ("[table]", '[bus]\ninterface = "virtual"\n[table]', "found both .bus. and .table."),
        ("hold_s = 4.0", "gear_ratio = 9.0", "gear_ratio: a joint of a .table. has columns"),
        ("hold_s = 4.0", 'layout = "harvest-joint"', "layout"),
        ("current_A    =", "current =", "'current'"),
        ("elbow_deg [deg]", "elbow_degrees", "found no column 'elbow_degrees'"),
        ("elbow_current_mA [mA]", "elbow_current_mA", "name says mA, expected A"),
        (
            "current_A                =", "torque_Nm =",
            "torque: found from = 'current', but the layout 'table' carries no current_A",
        ),
    ],
)  # fmt: skip
def test_mistakes_are_one_sentence_and_make_nothing(folder: Path, old: str, new: str, words: str):
    """In the bench file or against the table."""
    assert old in BENCH
    with pytest.raises(InputError, match=words):
        _import(folder, BENCH.replace(old, new, 1))
    assert [one.name for one in folder.iterdir()] == ["arm.csv"]


def test_stopped_or_wrong_in_the_middle_it_leaves_nothing(folder: Path):
    """A row that goes back in time far down, a stop: no folder, not even aside."""
    stop = threading.Event()
    stop.set()
    with pytest.raises(OutsideFault, match="stopped before its end"):
        _import(folder, stop=stop)
    with (folder / "arm.csv").open("a", encoding="utf-8") as table:
        table.write("1795000000,1,1,1,1\n")
    with pytest.raises(InputError, match="row 601 goes back in time"):
        _import(folder, limits=LimitSet())
    assert [one.name for one in folder.iterdir()] == ["arm.csv"]


def test_it_has_no_frames_to_decode_again(folder: Path):
    """Said so, whichever of both has no bus."""
    _import(folder)
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    with pytest.raises(InputError, match="no raw frames to decode again"):
        redecode_frames(
            folder / "rec", bench=scenario.scenario_bench(channel="x"), out=folder / "again"
        )
    bench = read_bench(folder / "bench.toml")
    assert bench.table is not None
    with pytest.raises(InputError, match="no raw frames to decode again"):
        redecode_frames(folder / "rec", bench=bench, out=folder / "again")
