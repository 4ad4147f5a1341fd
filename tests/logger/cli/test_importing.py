"""Import and redecode from the command line; a real interruption leaves nothing."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import can
import pandas as pd
import pytest

from logger.simulate import scenario
from replay.recording import Recording
from tests.support.command import ROOT, run

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench_text("can0")


def test_a_log_on_its_way(folder: Path):
    """Imported, decoded again with a corrected bench, exported: each says what it made."""
    done = run("import", "soak.blf", "--bench", "bench.toml", "--limits", "limits.toml", cwd=folder)
    assert done.returncode == 0, done.stderr
    (path,) = (folder / "recordings").iterdir()
    assert path.name.endswith("-soak")
    assert str(path.relative_to(folder)) in done.stdout
    assert "0 not decoded" in done.stdout
    recording = Recording.open(path)
    assert recording.name == "soak"
    assert run("check", str(path), cwd=folder).returncode == 0

    (folder / "right.toml").write_text(BENCH.replace("1.62", "3.24"), encoding="utf-8")
    done = run("redecode", str(path), "--bench", "right.toml", "--json", cwd=folder)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["format"] == 1
    assert answer["recording"] == f"{path}-redecoded"
    assert answer["frames"] == recording.row_count("frames")
    assert answer["joints"]["elbow"]["rows"] == recording.reading_count("elbow")

    done = run(
        "export", f"{path}-redecoded", "--out", "some.csv", "--joint", "shoulder", "--from", "2s",
        "--to", "4s", "--channels", "torque_Nm, speed_rad_s", cwd=folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(folder / "some.csv")
    assert list(table.columns) == ["time", "joint", "torque_Nm", "speed_rad_s"]
    span_ns = recording.start_ns + 2 * 10**9, recording.start_ns + 4 * 10**9
    batch = recording.read_readings("shoulder", *span_ns)
    expected = batch.channel_series("torque_Nm")[1] * 2
    assert table["torque_Nm"].to_numpy() == pytest.approx(expected, rel=1e-12)
    assert f"{len(table)} rows" in done.stdout


def test_times_and_pairs_are_checked(folder: Path):
    """A time, a channel or a file that cannot be: one sentence, status 2, nothing made."""
    before = sorted(folder.iterdir())
    for arguments, words in [
        (["--start", "yesterday"], "--start: found 'yesterday'"),
        (["--start", "90s"], "--start: found '90s'"),
        (["--channel", "bus"], "--channel: found 'bus', expected NAME=VALUE"),
        (["--channel", "wing=0"], "--channel: found 'wing'"),
        (["--limits", "bench.toml"], "bench.toml"),
    ]:
        done = run("import", "soak.blf", "--bench", "bench.toml", *arguments, cwd=folder)
        assert done.returncode == 2, done.stderr
        assert words in done.stderr
        assert "Traceback" not in done.stderr
    done = run("import", "none.blf", "--bench", "bench.toml", cwd=folder)
    assert (done.returncode, "no such log" in done.stderr) == (2, True)
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["strangers.csv"], "40 not decoded (identifier of no joint 40)"),
        (["own.asc"], "sent by the program that logged them, so no joint's: 40"),
    ],
)
def test_an_import_that_decoded_nothing_says_so(folder: Path, arguments: list[str], words: str):
    """Made all the same, since the raw frames are kept; status 1, and where to look."""
    for name, identifier, is_rx in (("strangers.csv", 0x7A1, True), ("own.asc", 0x2C3, False)):
        with can.Logger(folder / name) as log:
            for place in range(40):
                log(
                    can.Message(
                        timestamp=START_NS / 1e9 + place, arbitration_id=identifier, is_rx=is_rx,
                        is_extended_id=False, data=bytes.fromhex("48181F0000000000"), channel=0,
                    )
                )  # fmt: skip
    done = run("import", *arguments, "--bench", "bench.toml", "--out", "rec", cwd=folder)
    assert done.returncode == 1, done.stdout + done.stderr
    assert words in done.stdout
    assert "Nothing was decoded: none of the 40 frames" in done.stdout
    assert Recording.open(folder / "rec").row_count("frames") == 40
    done = run("redecode", "rec", "--bench", "bench.toml", "--json", cwd=folder)
    assert done.returncode == 1, done.stdout + done.stderr
    answer = json.loads(done.stdout)
    assert sum(answer["not_decoded_for"].values()) + answer["sent_by_logging_program"] == 40


def test_a_stated_start(folder: Path):
    """The first frame is where it is told to be; a time without a zone is UTC."""
    done = run(
        "import", "soak.blf", "--bench", "bench.toml", "--start", "2026-01-02T03:04:05.5",
        "--name", "Night run", "--note", "from the other bench", cwd=folder,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (path,) = (folder / "recordings").iterdir()
    assert path.name == "20260102T030405Z-night-run"
    recording = Recording.open(path)
    assert recording.start_ns == 1_767_323_045_500_000_000
    assert "from the other bench" in {event.text for event in recording.read_events()}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_import_leaves_nothing(
    folder: Path, until: Callable[[Callable[[], object], str], None], number: signal.Signals
):
    """Ctrl-C in the middle: status 3, one sentence, and no file, not even aside."""
    with (folder / "long.log").open("w", encoding="ascii") as log:
        for block in range(60):
            log.writelines(
                f"({1795000000 + block * 100 + place * 0.01:.6f}) can0 4D6#00C00000000F\n"
                for place in range(10_000)
            )
    before = sorted(folder.iterdir())
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "dutytrace", "import", "long.log"),
            *("--bench", "bench.toml", "--out", "rec"),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    aside = folder / ".rec.aside"
    until(lambda: aside.is_dir() or process.poll() is not None, "the import has begun")
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 3, (out, err)
    assert err.strip() == "dutytrace: rec: stopped before its end; nothing was left behind."
    assert out == ""
    assert sorted(folder.iterdir()) == before
