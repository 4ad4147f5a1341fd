"""Tables from the command line: imported as recordings, joined as sensors, replaced, removed."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from replay.recording import Recording
from tests.support.command import assert_refused, run
from tests.support.heat_recordings import NO_REAL_ARM, REAL_ARM


def test_a_thermocouple_joins_a_recording(folder: Path):
    """A table with a column map is a sensor of the recording; a mistake changes nothing."""
    done = run("import", "soak.blf", "--bench", "bench.toml", "--out", "rec", cwd=folder)
    assert done.returncode == 0, done.stderr
    (folder / "room.csv").write_text(
        "seconds;T1\n".replace(";", ",") + "".join(f"{at * 2},{20 + at}\n" for at in range(30))
    )
    start = Recording.open(folder / "rec").start_ns
    table = ["join", "rec", "room.csv", "--time", "seconds", "--name", "thermocouple"]
    mapped = ["--column", "temperature_ambient_degC=T1"]
    for arguments, words in [
        ([*table], "--column"),
        ([*table, "--column", "temperature_ambint_degC=T1"], "'temperature_ambint_degC'"),
        ([*table, *mapped], "none of them within the recording"),
        ([*table, "--column", "T1"], "--column: found 'T1', expected NAME=VALUE"),
        ([*table, *mapped, "--hold", "soon"], "--hold: found 'soon'"),
        (["import", "room.csv"], "--bench"),
    ]:
        done = run(*arguments, cwd=folder)
        assert done.returncode == 2, done.stderr
        assert words in done.stderr
        assert "Traceback" not in done.stderr
    assert Recording.open(folder / "rec").joints == ("shoulder", "elbow")
    begin = pd.Timestamp(start, unit="ns", tz="UTC").isoformat(timespec="microseconds")
    done = run(*table, *mapped, "--start", begin, "--json", cwd=folder)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert (answer["sensor"], answer["rows"] + answer["outside"]) == ("thermocouple", 30)
    recording = Recording.open(folder / "rec")
    assert recording.reading_count("thermocouple") == answer["rows"] == 14
    assert recording.hold_ns("thermocouple")["temperature_ambient_degC"] == 6 * 10**9
    assert "room.csv joined" in recording.read_events()[-1].text
    assert run("check", "rec", cwd=folder).returncode == 0


def test_a_table_for_import_is_answered_with_the_command_to_write(folder: Path):
    """What used to join a table says how it is written now, all that was typed in it."""
    old = ["import", "room one.csv", "--into", "rec", "--time", "seconds"]
    done = run(*old, "--column", "temperature_ambient_degC=T1", "--hold", "6s", cwd=folder)
    assert_refused(done, "--into: ")
    command = done.stderr.strip().partition("Write: ")[2]
    assert command == (
        "dutytrace join rec 'room one.csv' --time seconds --column temperature_ambient_degC=T1 "
        "--hold 6s"
    )
    done = run("import", "room.csv", "--time", "seconds", cwd=folder)
    assert_refused(done, "dutytrace join REC room.csv --time seconds --column CHANNEL=COLUMN")
    assert_refused(run("import", "room.csv", cwd=folder), "--bench", "--time, --joint and --column")


def _write_arm(path: Path) -> None:
    """Write a table as another program keeps it: semicolons, commas, local time in two columns."""
    rows = [
        f"25.11.2026;10:{at // 60:02}:{at % 60:02};{2 + at % 3},5;{'' if at == 7 else 60 + at // 9}"
        f";{'error' if at == 100 else at % 4}"
        for at in range(600)
    ]
    path.write_text("Date;Time;I1;T1;load_kg\n" + "\n".join(rows) + "\n", encoding="utf-8")


ARM = (
    "import", "arm.csv", "--time", "Date", "--time", "Time", "--zone", "Europe/Berlin",
    "--decimal", ",", "--out", "rec", "--joint", "shoulder",
)  # fmt: skip
COLUMNS = (
    "--column", "current_A=I1", "--column", "temperature_housing_degC=T1",
    "--column", "torque_Nm=load_kg * 9.80665 [m/s2] * 344 [mm]",
)  # fmt: skip


def test_a_table_becomes_a_recording(folder: Path):
    """Read, judged, checked, cut, exported like any other; what was not read is told by its row."""
    _write_arm(folder / "arm.csv")
    (folder / "warm.toml").write_text(
        'format = 1\n[[limit]]\nname = "warm"\nkind = "level"\nseverity = "warning"\n'
        'channel = "temperature_housing_degC"\nabove = 100.0\n'
    )
    done = run(*ARM, *COLUMNS, "--limits", "warm.toml", "--json", cwd=folder)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert list(answer) == ["format", "recording", "joints", "rows", "unread", "said"]
    assert answer["joints"] == {"shoulder": {"rows": 600}}
    assert answer["unread"] == [
        {"column": "T1", "unread": 0, "blank": 1, "first": [], "blank_rows": [8]},
        {
            "column": "load_kg",
            "unread": 1,
            "blank": 0,
            "first": [{"row": 101, "found": "error"}],
            "blank_rows": [],
        },
    ]
    recording = Recording.open(folder / "rec")
    assert recording.start_ns == int(np.datetime64("2026-11-25T09:00:00", "ns").astype(int))
    batch = recording.read_readings("shoulder", 0, 2**62)
    assert batch.columns["current_A"][:3].tolist() == [2.5, 3.5, 4.5]
    assert batch.columns["torque_Nm"][1] == pytest.approx(9.80665 * 0.344)
    assert [event.text for event in recording.read_events() if "error" in event.text]
    found = json.loads(run("excursions", "rec", "--json", cwd=folder).stdout)["excursions"]
    assert [one["limit"] for one in found] == ["warm"]
    for command in (
        ("check", "rec"), ("cut", "rec", "--out", "piece", "--to", "60s"),
        ("export", "rec", "--out", "x.csv"), ("note", "rec", "seen"), ("seal", "rec"),
    ):  # fmt: skip
        assert run(*command, cwd=folder).returncode == 0, command
    (folder / "sweep.toml").write_text(
        'format = 1\n[bad_end]\nchannel = "temperature_housing_degC"\nabove = 120.0\n'
        'within_s = 600\n[[vary]]\nlimit = "warm"\nkey = "above"\nvalues = [90.0, 110.0, 130.0]\n'
    )
    done = run(
        "tune", "rec", "--limits", "warm.toml", "--sweep", "sweep.toml", "--jobs", "1", "--json",
        cwd=folder,
    )  # fmt: skip
    assert done.returncode in {0, 1}, done.stderr
    assert "90" in done.stdout
    # What needs frames or a bus says that there is none.
    for command in (("redecode", "rec", "--bench", "bench.toml"), ("record", "--continue", "rec")):
        assert_refused(run(*command, cwd=folder), "table")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((*ARM[:2], "--joint", "a", "--column", "current_A=I1"), "--time: found none"),
        ((*ARM, *COLUMNS, "--joint", "elbow"), "shoulder.current_A=I1"),
        ((*ARM, *COLUMNS[:2], "--column", "shoulder.current_A=T1"), "twice"),
        ((*ARM, "--column", "elbow.current_A=I1"), "--joint: found 'shoulder' without"),
        ((*ARM, "--column", "torque_Nm=load_kg"), "name says kg, expected N.m"),
        ((*ARM, "--column", "torque_Nm=load_kg * (2"), "torque_Nm = 'load_kg * (2': character 11"),
        ((*ARM, "--column", "current_A=I2"), "found no column 'I2'"),
        ((*ARM, *COLUMNS, "--zone", "Mars"), "zone: found 'Mars'"),
        (
            (*ARM, *COLUMNS, "--bench", "bench.toml"),
            "found a bench with buses, expected for a table",
        ),
    ],
)
def test_a_table_that_does_not_fit_is_refused(folder: Path, arguments: tuple, words: str):
    """In one sentence; nothing is made."""
    _write_arm(folder / "arm.csv")
    assert_refused(run(*arguments, cwd=folder), words)
    assert not (folder / "rec").exists()
    assert not (folder / ".rec.aside").exists()


def test_a_bench_file_says_it_all(folder: Path):
    """Its `[table]` and the columns of its joints; record says that such a bench has no bus."""
    _write_arm(folder / "arm.csv")
    (folder / "arm.toml").write_text(
        '[table]\ntime = ["Date", "Time"]\nzone = "Europe/Berlin"\ndecimal = ","\n'
        '[[joint]]\nname = "shoulder"\nrated = { current = 4.0 }\n'
        'column = { current_A = "I1", temperature_housing_degC = "T1" }\n'
    )
    done = run("import", "arm.csv", "--bench", "arm.toml", "--out", "rec", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "T1: 1 blank cell, in row 8." in done.stdout
    assert Recording.open(folder / "rec").reading_count("shoulder") == 600
    for command in (("record", "arm.toml"), ("bus", "arm.toml", "--for", "1s")):
        assert_refused(run(*command, cwd=folder), "without a bus", "dutytrace import")


def test_a_sensor_is_shifted_replaced_and_removed(folder: Path):
    """The trace of an instrument whose clock was off, read again with the right one."""
    _write_arm(folder / "arm.csv")
    assert run(*ARM, *COLUMNS, cwd=folder).returncode == 0
    start = Recording.open(folder / "rec").start_ns
    seconds = "".join(f"{start // 10**9 + at},{at}\n" for at in range(100))
    (folder / "probe.csv").write_text(f"t,F\n{seconds}")
    join = ("join", "rec", "probe.csv", "--time", "t", "--column", "force_N=F")
    done = run(*join, "--shift", "-1.75s", "--json", cwd=folder)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert (answer["rows"], answer["outside"]) == (98, 2)
    recording = Recording.open(folder / "rec")
    first = recording.read_readings("probe", 0, 2**62)
    assert (int(first.time_ns[0]) - start, first.columns["force_N"][0]) == (250_000_000, 2.0)
    assert "its times moved by -1.75 s" in recording.read_events()[-1].text
    assert_refused(run(*join, cwd=folder), "--replace")
    assert run(*join, "--replace", cwd=folder).returncode == 0
    assert Recording.open(folder / "rec").reading_count("probe") == 100
    done = run("join", "rec", "--remove", "probe", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "Removed the sensor probe with 100 readings" in done.stdout
    assert Recording.open(folder / "rec").joints == ("shoulder",)
    for arguments, words in (
        (("join", "rec", "--remove", "probe"), "no sensor 'probe'"),
        (("join", "rec", "probe.csv", "--remove", "probe"), "--remove"),
        (("join", "rec"), "TABLE"),
        ((*join, "--shift", "soon"), "--shift: found 'soon'"),
    ):
        assert_refused(run(*arguments, cwd=folder), words)


@pytest.mark.slow
@pytest.mark.skipif(not REAL_ARM.exists(), reason=NO_REAL_ARM)
def test_a_real_arm(tmp_path: Path):
    """Every reading of the table is in the recording, to the last bit, each blank told.

    Data: "UR3 CobotOps" by M. Tyrovolas, K. Aliev, D. Antonelli and C. Stylios, UCI Machine
    Learning Repository, 2024, doi 10.24432/C5J891, CC BY 4.0. It is not part of this tree.
    """
    table = pd.read_csv(REAL_ARM)
    columns = []
    for joint in ("base", "shoulder", "elbow"):
        columns += ["--joint", joint]
        for channel, column in (
            ("current_A", "current_A"), ("speed_rad_s", "speed_rad_s"),
            ("temperature_housing_degC", "temperature_degC"),
        ):  # fmt: skip
            columns += ["--column", f"{joint}.{channel}={joint}_{column}"]
    done = run(
        "import", str(REAL_ARM), "--time", "time", *columns, "--out", "rec", "--json", cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["rows"] == len(table)
    assert {one["column"]: one["blank"] for one in answer["unread"]} == {
        name: int(count) for name, count in table.isna().sum().items() if count
    }
    recording = Recording.open(tmp_path / "rec")
    for joint in recording.joints:
        time_ns, current = recording.read_readings(joint, 0, 2**62).channel_series("current_A")
        kept = table[table[f"{joint}_current_A"].notna()]
        assert current.tolist() == kept[f"{joint}_current_A"].tolist()
        stamps = pd.to_datetime(kept["time"]).dt.tz_localize(None).to_numpy("datetime64[ns]")
        assert time_ns.tolist() == stamps.astype(np.int64).tolist()
    # Half a minute of a processor that is its own.
    done = run("heat", "rec", "--joint", "shoulder", "--json", cwd=tmp_path, within_s=900.0)
    assert done.returncode == 0, done.stderr
    found = {one["name"]: one["value"] for one in json.loads(done.stdout)["quantities"]}
    assert 1900 < found["housing_time"] < 2900
