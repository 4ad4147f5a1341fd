"""The front door: mistakes end in one sentence and exit status 2, answers in JSON are stable."""

import json
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from logger.simulate import scenario
from logger.store.repair.post_request import submit_request
from replay.recording import Recording
from tests.support.command import run as _run

BENCH = scenario.scenario_bench_text("/nowhere/line")
LAYOUT = scenario.scenario_layout_text()


def _refused(done: "subprocess.CompletedProcess[str]", *words: str) -> None:
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("dutytrace: ")
    for word in words:
        assert word in done.stderr


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('interface = "slcan"', 'interface = "slcam"', ["bus.interface", "'slcam'", "'slcan'"]),
        ("", "", ["cannot open '/nowhere/line'", "plugged in"]),
        ('interface = "slcan"', 'interface = "socketcan"', ["socketcan cannot open"]),
        ("node       = 4", "node       = 3", ["both claim", "0x2C3"]),
        ("[bus]", "[bus", ["not valid TOML", "line"]),
        ("gear_ratio = 9.0", "gear_ration = 9.0", ["gear_ration", "gear_ratio"]),
        ("bitrate   = 1_000_000", "bitrate   = 0", ["bus.bitrate"]),
        ('layout     = "harvest-joint"', 'layout     = "../secret"', ["'../secret'", "layout"]),
        ('name       = "elbow"', 'name       = "../elbow"', ["name", "'../elbow'"]),
        ('name       = "elbow"', 'name       = "shoulder"', ["'shoulder' twice"]),
    ],
)
def test_a_bench_that_cannot_be_recorded(tmp_path: Path, old: str, new: str, words: list[str]):
    """Unknown interface, missing adapter, wrong channel, identifiers claimed twice."""
    (tmp_path / "bench.toml").write_text(BENCH.replace(old, new, 1), encoding="utf-8")
    done = _run("record", "bench.toml", cwd=tmp_path)
    _refused(done, "bench.toml", *words)
    assert not (tmp_path / "recordings").exists()


def test_a_layout_and_limits_that_cannot_be_read(tmp_path: Path):
    """Bits past the frame, and limits that are no TOML: before the bus is touched."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    (tmp_path / "limits.toml").write_text("[[limit]\n", encoding="utf-8")
    _refused(_run("record", "bench.toml", "--limits", "limits.toml", cwd=tmp_path), "limits.toml")
    (tmp_path / "harvest-joint.toml").write_text(
        LAYOUT.replace("length     = 7", "length     = 6", 1), encoding="utf-8"
    )
    _refused(_run("record", "bench.toml", cwd=tmp_path), "harvest-joint", "reaches byte 6")
    (tmp_path / "harvest-joint.toml").write_text(
        LAYOUT.replace("byte    = 3\n  bits    = 16", "byte    = 2\n  bits    = 16", 1),
        encoding="utf-8",
    )
    _refused(_run("record", "bench.toml", cwd=tmp_path), "harvest-joint", "already taken")
    (tmp_path / "harvest-joint.toml").write_bytes(b"\xff")
    _refused(_run("record", "bench.toml", cwd=tmp_path), "harvest-joint.toml", "UTF-8")
    assert not (tmp_path / "recordings").exists()


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (b"\xff\xfe", ["UTF-8"]),
        (b"format = 2", ["format"]),
        (b'format = 1\n[[limit]]\nname = "a"\nkind = "level"\n', ["severity"]),
        (
            b'format = 1\n[[limit]]\nname = "a"\nkind = "level"\nseverity = "trip"\n'
            b'channel = "temperature_housing"\nabove = 1.0\n',
            ["temperature_housing", "temperature_housing_degC"],
        ),
        (
            b'format = 1\n[[limit]]\nname = "a"\nkind = "level"\nseverity = "trip"\n'
            b'joint = "wrist"\nchannel = "torque_Nm"\nabove = 1.0\n',
            ["'wrist'", "shoulder"],
        ),
        (None, ["no such limits file"]),
    ],
)
def test_limits_that_cannot_be_used(tmp_path: Path, limits: bytes | None, words: list[str]):
    """Unreadable, of another format, unfinished, of a channel or a joint that there is none of."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    if limits is not None:
        (tmp_path / "limits.toml").write_bytes(limits)
    done = _run("record", "bench.toml", "--limits", "limits.toml", cwd=tmp_path)
    _refused(done, "limits.toml", *words)
    assert not (tmp_path / "recordings").exists()


def test_a_recordings_folder_that_cannot_be_written(bench, tmp_path: Path):
    """With joints that answer: refused before a frame is recorded, the adapter given back."""
    bench.joints()
    (tmp_path / "file").write_text("", encoding="utf-8")
    done = _run("record", str(bench.bench), "--recordings", str(tmp_path / "file"))
    _refused(done, "cannot be made", "--out")
    assert (tmp_path / "file").read_text(encoding="utf-8") == ""
    done = _run("demo", "--no-browser", "--port", "0", "--recordings", str(tmp_path / "file"))
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr


def test_a_damaged_recording_is_a_sentence(tmp_path: Path, overheat: Recording):
    """A manifest that is no JSON, of another format, or without its bench: each command says so."""
    path = tmp_path / "rec"
    path.mkdir()
    manifest = json.loads((overheat.path / "recording.json").read_text(encoding="utf-8"))
    for content in (
        "{",
        "[]",
        json.dumps({**manifest, "format": 99}),
        json.dumps({**manifest, "bench": "[bus"}),
        json.dumps({key: value for key, value in manifest.items() if key != "layouts"}),
    ):
        (path / "recording.json").write_text(content, encoding="utf-8")
        _refused(_run("check", str(path)), "rec")
    _refused(_run("seal", str(path)), "rec")
    _refused(_run("note", str(path), "text"), "rec")
    assert [file.name for file in path.iterdir()] == ["recording.json"]


def test_a_folder_that_cannot_be_written(tmp_path: Path):
    """A recordings folder below a regular file: said, and nothing half-written."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    done = _run("simulate", "--hours", "0.01", "--out", str(tmp_path / "file" / "rec"))
    _refused(done, "cannot be made")
    done = _run("simulate", "--hours", "0.01", "--out", str(tmp_path))
    _refused(done, "already exists")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_port_in_use(tmp_path: Path):
    """Said before anything starts; the demo records nothing."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        _refused(_run("dashboard", "--port", port, cwd=tmp_path), port, "--port")
        done = _run("demo", "--no-browser", "--port", port, cwd=tmp_path)
        _refused(done, port, "--port")
    assert not (tmp_path / "recordings").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "nothing"],
        ["excursions", "nothing"],
        ["replay", "nothing"],
        ["seal", "nothing"],
        ["note", "nothing", "text"],
        ["acknowledge", "nothing", "1"],
        ["decode", "nothing.toml", "1", "00"],
        ["record", "nothing.toml"],
        ["simulate", "--hours", "-1"],
        ["simulate", "--hours", "nan"],
        ["simulate", "--hours", "inf"],
        ["simulate", "--rate", "1e9"],
        ["dashboard", "--host", "0.0.0.0"],
        ["record", "nothing.toml", "--duration", "soon"],
    ],
)
def test_wrong_arguments(tmp_path: Path, arguments: list[str]):
    """A recording or file that is not there, a value out of range."""
    _refused(_run(*arguments, cwd=tmp_path))


def test_help_answers_at_once():
    """Every command has help, and help loads neither pandas nor dash."""
    done = _run("--help")
    assert done.returncode == 0
    for command in ("demo", "simulate", "record", "dashboard", "replay", "check", "seal", "note",
                    "acknowledge", "shelve", "excursions", "decode"):  # fmt: skip
        assert command in done.stdout
        assert _run(command, "--help").returncode == 0
    loaded = subprocess.run(
        [sys.executable, "-c", "import sys, dutytrace; print(*sys.modules)"],
        capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1],
    ).stdout.split()  # fmt: skip
    assert not {"pandas", "dash", "plotly", "pyarrow", "can", "numpy"} & set(loaded)


HOUSING = "temperature_housing_degC"


def test_answers_in_json(overheat: Recording, tmp_path: Path):
    """check, excursions and decode: format 1, units in the keys, times in ISO 8601 UTC."""
    done = _run("check", str(overheat.path), "--json")
    assert done.returncode == 0
    found = json.loads(done.stdout)
    assert found["format"] == 1
    assert found["whole"] is True
    assert found["joints"]["shoulder"]["rows"] > 1000
    assert (found["frames"], found["dropped"], found["gaps"], found["missing"]) == (
        overheat.row_count("frames"), 0, [], [],
    )  # fmt: skip

    found = json.loads(_run("excursions", str(overheat.path), "--json").stdout)
    assert found["format"] == 1
    hot = [one for one in found["excursions"] if one["limit"] == "housing-hot"]
    assert len(hot) == 1
    assert hot[0]["start"].endswith("Z")
    assert set(hot[0]["rms_torque_Nm"]) == {"60", "300", "900"}

    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    done = _run("decode", str(tmp_path / "bench.toml"), "0x2C3", "48 18 1F 12C0 0000", "--json")
    found = json.loads(done.stdout)
    assert [one["of"] for one in found.pop("bytes")][:2] == [["begins"], [HOUSING]]
    assert found.pop("values")[0] == {
        "name": HOUSING, "raw": 24, "bits": 8, "how": "", "result": 24.0, "unit": "Cel",
        "words": "",
    }  # fmt: skip
    assert (found.pop("bus"), found.pop("said")) == ("bus", [])
    assert found == {
        "format": 1,
        "joint": "shoulder",
        "frame": "health",
        "readings": {
            "temperature_housing_degC": 24.0,
            "temperature_drive_degC": 31.0,
            "voltage_V": 48.0,
            "fault_code": 0.0,
        },
    }


def test_decode_of_frames_pasted_from_a_log(tmp_path: Path):
    """Several at once, with what stands before them in such a line; one of nobody ends it."""
    (tmp_path / "bench.toml").write_text(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "harvest-joint"\nnode = 3\n',
        encoding="utf-8",
    )
    line = "(1700000000.000000) can0 2C3#48181F12C00000"
    done = _run("decode", str(tmp_path / "bench.toml"), line, "2C3#48191F12C00000", "--json")
    assert done.returncode == 0, done.stderr
    housing = [
        one["readings"]["temperature_housing_degC"] for one in json.loads(done.stdout)["frames"]
    ]
    assert housing == [24.0, 25.0]
    nobody = _run("decode", str(tmp_path / "bench.toml"), line, "111#00")
    assert (nobody.returncode, nobody.stdout) == (2, "")
    assert "identifier of no joint" in nobody.stderr


def test_a_recording_that_is_not_whole_ends_with_status_1(tmp_path: Path, overheat: Recording):
    """`check` says what is missing, in words and in JSON, and its exit status tells a script."""
    path = tmp_path / "cut"
    shutil.copytree(overheat.path, path)
    (next((path / "status" / "joint=elbow").glob("*.parquet"))).unlink()
    done = _run("check", str(path))
    assert done.returncode == 1
    assert "not whole" in done.stdout
    done = _run("check", str(path), "--json")
    assert done.returncode == 1
    assert json.loads(done.stdout)["whole"] is False


def test_a_full_disk_ends_with_status_3(tmp_path: Path):
    """What can be made again leaves nothing behind; room to write is a limit on file size."""
    path = tmp_path / "rec"
    script = (
        "import resource, sys, dutytrace\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (500_000, 500_000))\n"
        f"sys.argv = ['dutytrace', 'simulate', '--hours', '0.5', '--out', {str(path)!r}]\n"
        "dutytrace.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True, text=True, check=False, timeout=120,
        cwd=Path(__file__).parents[1],
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert "nothing was left behind" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_notes_and_acknowledgements_from_the_command_line(tmp_path: Path):
    """They become events of a finished recording; an unknown alert is refused."""
    path = tmp_path / "rec"
    done = _run("simulate", "--hours", "0.5", "--rate", "10", "--seed", "7", "--out", str(path))
    assert done.returncode == 0, done.stderr
    trip = next(a for a in Recording.open(path).read_alerts() if a.severity == "trip")
    assert _run("note", str(path), "smelt warm").returncode == 0
    assert _run("acknowledge", str(path), str(trip.number), "--who", "h").returncode == 0
    _refused(_run("acknowledge", str(path), "999"), "found alert 999")
    after = Recording.open(path)
    assert any(event.text == "smelt warm" for event in after.read_events())
    acknowledged = next(a for a in after.read_alerts() if a.number == trip.number)
    assert acknowledged.acknowledged_by == "h"
    submit_request(path, kind="note", text="and again")
    assert [event.sequence for event in Recording.open(path).read_events()] == list(
        range(len(Recording.open(path).read_events()))
    )
