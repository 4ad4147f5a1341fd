"""Cut, pack and unpack from the command line: each says what it made."""

import json
from pathlib import Path

from replay.recording import Recording
from tests.support.command import run


def test_a_span_cut_out(folder: Path):
    """Times as for the export; it says what it made, and a damaged part ends in status 1."""
    run("import", "soak.blf", "--bench", "bench.toml", cwd=folder)
    (path,) = (folder / "recordings").iterdir()
    done = run(
        "cut", str(path), "--from", "2s", "--to", "12s", "--name", "Hot part", "--json", cwd=folder
    )
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    made = Path(answer["recording"])
    assert made.parent == path.parent
    assert made.name.endswith("-hot-part")
    assert answer["duration_s"] == 10.0
    assert (answer["missing"], answer["standing"]) == ([], 0)
    cut = Recording.open(made)
    assert answer["joints"]["elbow"]["rows"] == len(
        cut.read_readings("elbow", cut.start_ns, cut.end_ns).time_ns
    )
    assert run("check", str(made), cwd=folder).returncode == 0

    done = run("cut", str(path), "--from", "2h", cwd=folder)
    assert (done.returncode, "it holds 2026-" in done.stderr) == (2, True)
    next((path / "status" / "joint=elbow").iterdir()).unlink()
    done = run("cut", str(path), "--out", "rest", cwd=folder)
    assert done.returncode == 1
    assert "missing: status/joint=elbow: rows 0 to" in done.stdout
    assert Recording.open(folder / "rest").reading_count("shoulder")


def test_packed_sent_and_unpacked(folder: Path):
    """One file by the recording's name; elsewhere it is whole; opened as it is, it says how."""
    run("import", "soak.blf", "--bench", "bench.toml", cwd=folder)
    (path,) = (folder / "recordings").iterdir()
    done = run("pack", str(path), cwd=folder)
    assert done.returncode == 0, done.stderr
    file = folder / f"{path.name}.dutytrace.tar"
    assert file.name in done.stdout
    for command in (["replay", "--no-browser", "--port", "0"], ["check"]):
        done = run(command[0], str(file), *command[1:], cwd=folder)
        assert (done.returncode, "dutytrace unpack" in done.stderr) == (2, True)
    done = run("unpack", str(file), "--recordings", "theirs", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert f"theirs/{path.name}: whole" in done.stdout
    done = run("unpack", str(file), cwd=folder)
    assert (done.returncode, "already exists" in done.stderr) == (2, True)
    file.write_bytes(file.read_bytes()[:-4000])
    done = run("unpack", str(file), "--recordings", "others", "--json", cwd=folder)
    assert (done.returncode, "Have it sent again" in done.stderr) == (2, True)
    assert list((folder / "others").iterdir()) == []
