"""`dutytrace layout find` and `layout confirm`: from a log to channels, and what it refuses."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from logger.simulate.line_protocol import CanFrame, LineProtocol
from logger.simulate.serial_line import SerialLine
from logger.store.reading.reader import RecordingReader
from tests.logger.layout_finder.moved_joint import LOAD, MARKS, POSITION, SPEED, joint_traffic
from tests.support.command import ROOT, assert_refused, run

MARKS_TEXT = f"""
rest = {list(MARKS.rest)}
turn = {list(MARKS.turn)}
load = {list(MARKS.load)}
warm = {list(MARKS.warm)}
ambient_degC = 23.0
supply_V = 48.0
mass_kg = 2.0
arm_m = 0.4
"""
PLACEHOLDER = """
format = 1
name = "not-known"
[[frame]]
name = "-"
identifier = "0x7FF"
length = 0
"""
BENCH = """
[bus]
interface = "virtual"
[[joint]]
name = "elbow"
layout = "{layout}"
node = 0
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with the log of a joint that nobody has a layout of, and its marks."""
    path = tmp_path_factory.mktemp("found")
    traffic = joint_traffic()
    lines = [
        f"({1_700_000_000 + at:.6f}) can0 {number:03X}#{data.hex().upper()}\n"
        for at, number, data in sorted(
            zip(traffic.time_s.tolist(), traffic.identifier.tolist(), traffic.data, strict=True)
        )
    ]
    (path / "run.log").write_text("".join(lines), encoding="ascii")
    (path / "marks.toml").write_text(MARKS_TEXT, encoding="utf-8")
    (path / "not-known.toml").write_text(PLACEHOLDER, encoding="utf-8")
    for layout in ("not-known", "run", "half"):
        (path / f"{layout}.bench.toml").write_text(BENCH.format(layout=layout), encoding="utf-8")
    return path


def test_from_a_log_to_channels(folder: Path):
    """Found, refused, confirmed; what was recorded meanwhile is decoded to the same values."""
    found = run("layout", "find", "--log", "run.log", "--marks", "marks.toml", cwd=folder)
    assert found.returncode == 0, found.stderr
    assert "Not decided:" in found.stdout
    assert "amperes need a meter or the data sheet" in found.stdout
    # The map of bits: a checksum, a counter, what tells kinds apart.
    assert {"#" * 8, "++++"} <= set(found.stdout.replace("A", " ").replace("B", " ").split())

    proposed = (folder / "run.proposed.toml").read_text(encoding="utf-8")
    (folder / "half.toml").write_text(proposed, encoding="utf-8")
    assert_refused(
        run("import", "run.log", "--bench", "half.bench.toml", cwd=folder),
        "this is a proposal and no layout yet",
    )
    done = run("layout", "confirm", "run.proposed.toml", "--confirm", "1", "--by", "A. Body",
               cwd=folder)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "values are not decided yet" in done.stdout
    assert not (folder / "run.toml").exists()
    # The person writes "left out" and "confirmed" into the file as well as with the command.
    text = (folder / "run.proposed.toml").read_text(encoding="utf-8")
    (folder / "run.proposed.toml").write_text(
        text.replace('state   = "proposed"', 'state   = "confirmed"', 1), encoding="utf-8"
    )
    done = run("layout", "confirm", "run.proposed.toml", "--confirm", "all", "--by", "A. Body",
               cwd=folder)  # fmt: skip
    assert done.returncode == 0, done.stderr

    for layout, out in (("not-known", "meanwhile"), ("run", "direct")):
        done = run("import", "run.log", "--bench", f"{layout}.bench.toml", "--out", out, cwd=folder)
        assert (folder / out).is_dir(), done.stderr
    done = run("redecode", "meanwhile", "--bench", "run.bench.toml", "--out", "again", cwd=folder)
    assert done.returncode == 0, done.stderr
    direct, again = (RecordingReader(folder / name) for name in ("direct", "again"))
    traffic = joint_traffic()
    fast = [data for data in traffic.data if len(data) == 7]
    for channel, field, bits in (
        ("position_rad", POSITION, 16), ("speed_rad_s", SPEED, 12), ("torque_Nm", LOAD, 16),
    ):  # fmt: skip
        values = [
            reader.read_readings("elbow", 0, 2**62, channels=[channel]).columns[channel]
            for reader in (direct, again)
        ]
        assert np.array_equal(values[0], values[1], equal_nan=True)
        values = [one[~np.isnan(one)] for one in values]
        raw = np.array([
            sum((data[byte] >> bit & 1) << number
                for number, (byte, bit) in enumerate(field.bit_places))
            for data in fast
        ])  # fmt: skip
        signed = np.where(raw >= 1 << (bits - 1), raw - (1 << bits), raw)
        assert np.ptp(values[0] / np.ptp(values[0]) - signed / np.ptp(signed)) < 1e-3

    # The checksum and the counter that were found belong to the layout: a frame that is damaged
    # afterwards, and one that is gone, are seen.
    lines = (folder / "run.log").read_text(encoding="ascii").splitlines(keepends=True)
    checked = [row for row, line in enumerate(lines) if len(line.strip().split("#")[1]) == 14]
    damaged, gone = checked[500], checked[900]
    head, payload = lines[damaged].split("#")
    lines[damaged] = f"{head}#{int(payload[0], 16) ^ 1:X}{payload[1:]}"
    del lines[gone]
    (folder / "worse.log").write_text("".join(lines), encoding="ascii")
    for log, out, expected in (("run", "sound", (0, 0)), ("worse", "worse", (1, 1))):
        run("import", f"{log}.log", "--bench", "run.bench.toml", "--out", out, cwd=folder)
        answer = json.loads(run("check", out, "--json", cwd=folder).stdout)
        assert (answer["damaged"], answer["skipped"]) == expected


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["find"], "found no --log with --marks"),
        (["find", "--log", "run.log"], "found no --log with --marks"),
        (["find", "run.bench.toml", "--log", "run.log"], "a bench file and a log"),
        (["confirm", "run.log", "--by", "A"], "TOML"),
        (["confirm", "marks.toml", "--by", "A"], "found no proposal"),
        (["confirm", "marks.toml", "--by", "A", "--confirm", "x"], "found"),
    ],
)
def test_what_it_refuses(folder: Path, words: list[str], sentence: str):
    """One sentence each, and nothing is written."""
    assert_refused(run("layout", *words, cwd=folder), sentence)


LIVE_BENCH = """
[bus]
interface = "slcan"
channel = "{line}"
bitrate = 500_000
"""


@pytest.fixture
def line(tmp_path: Path) -> Iterator[list[object]]:
    """Give a serial line on which a joint talks; yields the frames that somebody sent there."""
    sent: list[object] = []
    done = threading.Event()
    (tmp_path / "bench.toml").write_text(
        LIVE_BENCH.format(line=tmp_path / "line"), encoding="utf-8"
    )

    def answer(frame: object) -> tuple[()]:
        sent.append(frame)
        return ()

    with SerialLine(tmp_path / "line") as serial:
        adapter = LineProtocol(answer)

        def talk() -> None:
            count = 0
            while not done.is_set():
                serial.write(adapter.feed_bytes(serial.read(timeout_s=0.01)))
                data = bytes([count % 256, 7, 40 + count // 50 % 3])
                serial.write(adapter.frame_lines([CanFrame(identifier=0x283, data=data)]))
                count += 1

        thread = threading.Thread(target=talk)
        thread.start()
        yield sent
        done.set()
        thread.join()


def test_steps_done_live(tmp_path: Path, line: list[object]):
    """A bench without joints, a key press at each mark; heard only, kept, and proposed from."""
    with subprocess.Popen(
        [sys.executable, "-m", "dutytrace", "layout", "find", "bench.toml", "--out",
         "mine.proposed.toml"],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as running:  # fmt: skip
        assert running.stdin is not None
        assert running.stderr is not None
        running.stdin.write("23,5\nabout 48\n48\n\n\nb\n")
        running.stdin.flush()
        told = ""
        while "Enter when it begins" not in told:
            told += running.stderr.read(1)
        assert "Found 'about 48', expected a number" in told
        running.stdin.write("\n")
        running.stdin.flush()
        time.sleep(1.0)
        running.stdin.write("\ns\ns\ns\n")
        running.stdin.flush()
        answer, told = running.communicate(timeout=120)
    assert running.returncode == 0, told
    assert "The turn is not marked" in answer
    assert not line, "found frames of ours on the bus"
    marks = (tmp_path / "mine.marks.toml").read_text(encoding="utf-8")
    assert marks.splitlines()[:3] == [
        "ambient_degC = 23.5", "supply_V = 48.0", 'positive = "way back"'
    ]  # fmt: skip
    assert "rest = [" in marks
    first, *others = (tmp_path / "mine.log").read_text(encoding="ascii").splitlines()
    assert " can0 283#" in first
    assert others
    # The same once more, from what was kept.
    again = run("layout", "find", "--log", "mine.log", "--marks", "mine.marks.toml", "--out",
                "again.proposed.toml", cwd=tmp_path)  # fmt: skip
    assert again.returncode == 0, again.stderr


def test_a_bus_on_which_nobody_talks(tmp_path: Path):
    """Said after a while, with what to do."""
    (tmp_path / "bench.toml").write_text(
        '[bus]\ninterface = "virtual"\nchannel = "nobody"\n', encoding="utf-8"
    )
    done = subprocess.run(
        [sys.executable, "-m", "dutytrace", "layout", "find", "bench.toml"], check=False,
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(ROOT)}, text=True, capture_output=True,
        input="\n\n\n\n\n", timeout=120,
    )  # fmt: skip
    assert done.returncode == 2
    assert "found no frame on the bus in" in done.stderr
    assert not list(tmp_path.glob("*.log"))
