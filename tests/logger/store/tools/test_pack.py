"""A recording as one file: plain tar, whole or not there, of a recording that stands still."""

import hashlib
import os
import shutil
import subprocess
import tarfile
import threading
from pathlib import Path

import pytest

from logger.errors import InputError, OutsideFault
from logger.simulate import scenario
from logger.store.layout.lock import WriteLock
from logger.store.layout.manifest import new_manifest
from logger.store.tools.pack import (
    CHECKSUM_FILE,
    is_plain_name,
    packed_file_name,
    plan_tar,
    write_tar,
)
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording


@pytest.fixture
def recording(tmp_path: Path, overheat: Recording) -> Path:
    """Give a copy of the overheat that may be changed."""
    path = tmp_path / "made" / "overheat"
    shutil.copytree(overheat.path, path)
    return path


def test_it_is_a_plain_tar_of_known_length(tmp_path: Path, recording: Path):
    """Every file in one folder, what it is first, sums that sha256sum compares last."""
    out = tmp_path / packed_file_name(recording)
    assert out.name == "overheat.dutytrace.tar"
    shares: list[float] = []
    size = write_tar(recording, out, progress=shares.append)
    assert size == out.stat().st_size == plan_tar(recording).size
    assert shares[-1] == 1.0
    with tarfile.open(out, "r:") as tar:
        names = tar.getnames()
        assert {(one.uid, one.gid, one.uname, one.gname) for one in tar} == {(0, 0, "", "")}
    assert (names[0], names[-1]) == ("overheat/recording.json", f"overheat/{CHECKSUM_FILE}")
    there = {
        path.relative_to(recording.parent).as_posix()
        for path in recording.rglob("*")
        if path.is_file()
    }
    assert set(names[:-1]) == there - {"overheat/live.lock"}
    subprocess.run(["tar", "-xf", out, "-C", tmp_path], check=True)
    done = subprocess.run(
        ["sha256sum", "-c", "--quiet", CHECKSUM_FILE], cwd=tmp_path / "overheat", check=False
    )
    assert done.returncode == 0
    # What a plain tar left there is not packed a second time.
    assert plan_tar(tmp_path / "overheat").size == size


def test_the_bytes_come_piece_by_piece(recording: Path):
    """No piece is longer than a megabyte and a bit, whatever the files are."""
    large = recording / "frames" / "part-000000900000-000000900001.parquet"
    large.write_bytes(os.urandom(3_500_000))
    planned = plan_tar(recording)
    chunks = list(planned.read_chunks())
    assert sum(map(len, chunks)) == planned.size
    assert max(map(len, chunks)) <= 1 << 20
    assert hashlib.sha256(large.read_bytes()).hexdigest() in chunks[-1].decode(errors="replace")


def test_only_what_stands_still(tmp_path: Path, recording: Path):
    """A live one is refused with what to do instead; one that was not closed has to be sealed."""
    with WriteLock(recording), pytest.raises(InputError, match="cut out what there is until now"):
        write_tar(recording, tmp_path / "x.tar")
    bench = scenario.scenario_bench(channel="x")
    crashed = tmp_path / "crashed"
    writer = RecordingWriter(
        crashed, new_manifest(bench, name="t", started_ns=10**18), bench, now_s=0.0
    )
    writer.abandon()
    with pytest.raises(InputError, match="dutytrace seal"):
        write_tar(crashed, tmp_path / "x.tar")
    assert not (tmp_path / "x.tar").exists()


def test_a_change_while_it_is_packed(tmp_path: Path, recording: Path):
    """A file that grew, shrank or went, or somebody who goes on: told, and nothing is left."""
    longest = max(recording.rglob("*.parquet"), key=lambda path: path.stat().st_size)
    for change in (
        lambda: longest.write_bytes(longest.read_bytes() + b"x"),
        lambda: os.truncate(longest, 10),
        longest.unlink,
    ):
        content = longest.read_bytes()
        done = False

        def once(_share: float, change=change) -> None:
            nonlocal done
            if not done:
                done = True
                change()

        with pytest.raises(OutsideFault):
            write_tar(recording, tmp_path / "x.tar", progress=once)
        longest.write_bytes(content)
    locks: list[WriteLock] = []
    with pytest.raises(OutsideFault, match="is writing this recording"):
        write_tar(
            recording,
            tmp_path / "x.tar",
            progress=lambda _share: locks or locks.append(WriteLock(recording)),
        )
    locks[0].release()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["made"]


def test_what_is_not_packed(tmp_path: Path, recording: Path):
    """A link out of the folder, a pipe, a file that is there, no recording: one sentence."""
    link = recording / "frames" / "part-000000000000-000000000001.parquet"
    link.symlink_to("/etc/hostname")
    with pytest.raises(InputError, match="found a link"):
        write_tar(recording, tmp_path / "x.tar")
    link.unlink()
    os.mkfifo(link)
    with pytest.raises(InputError, match="something that is no file"):
        write_tar(recording, tmp_path / "x.tar")
    link.unlink()
    (recording / "odd\nname").write_text("x")
    with pytest.raises(InputError, match="a name that no file of a recording has"):
        write_tar(recording, tmp_path / "x.tar")
    (recording / "odd\nname").unlink()
    (tmp_path / "there.tar").write_text("mine")
    for out, words in [
        (tmp_path / "there.tar", "already exists"),
        (tmp_path / "none" / "x.tar", "no such folder"),
        (recording / "x.tar", "within the recording"),
    ]:
        with pytest.raises(InputError, match=words):
            write_tar(recording, out)
    with pytest.raises(InputError, match="no recording"):
        write_tar(recording / "frames", tmp_path / "x.tar")
    stop = threading.Event()
    stop.set()
    with pytest.raises(OutsideFault, match="stopped"):
        write_tar(recording, tmp_path / "x.tar", stop=stop)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["made", "there.tar"]


def test_names_that_can_be_written_everywhere():
    """One visible name; no path, nothing hidden, nothing unprintable."""
    for name in ("20260101T000000Z-soak", "joint=elbow", "Prüfling 9 N·m", "a" * 200):
        assert is_plain_name(name)
    for name in ("", ".", "..", ".hidden", "a/b", "a\\b", "a\0", "a\n", "a" * 201, "\udc80"):
        assert not is_plain_name(name)
