"""A packed recording made a folder again: the same bytes, or nothing at all."""

import errno
import io
import os
import shutil
import tarfile
import threading
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import InputError, OutsideFault
from logger.importing.redecode import redecode_frames
from logger.store.tools.cut import copy_span
from logger.store.tools.pack import CHECKSUM_FILE, write_tar
from logger.store.tools.unpack import extract_recording
from logger.store.writing.bulk_writer import begin_staging, staging_path
from replay.check import check_recording
from replay.recording import Recording
from tests.support.depth import examples

S = 1_000_000_000


@pytest.fixture(scope="module")
def packed(overheat: Recording, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a packed recording of ten seconds."""
    folder = tmp_path_factory.mktemp("packed")
    made = copy_span(overheat.path, out=folder / "short", end_ns=overheat.start_ns + 10 * S)
    write_tar(made.path, folder / "short.dutytrace.tar")
    return folder / "short.dutytrace.tar"


def _files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "live.lock"
    }


def test_there_and_back(tmp_path: Path, overheat: Recording):
    """Every byte of every file; it is whole, is decoded again and packed to the same length."""
    out = tmp_path / "sent.dutytrace.tar"
    size = write_tar(overheat.path, out)
    shares: list[float] = []
    path = extract_recording(out, tmp_path / "recordings", progress=shares.append)
    assert path == tmp_path / "recordings" / "overheat"
    assert _files(path) == _files(overheat.path)
    assert 0.9 < shares[-1] <= 1.0
    assert check_recording(Recording.open(path)).is_complete
    redecode_frames(path, bench=overheat.bench, out=tmp_path / "again")
    assert write_tar(path, tmp_path / "again.tar") == size
    assert [one.name for one in path.parent.iterdir()] == ["overheat"]


def test_another_tar_of_it_does_too(tmp_path: Path, packed: Path):
    """Unpacked and packed by a plain tar, with its folders as members, it is the same."""
    with tarfile.open(packed) as tar:
        for member in tar.getmembers():
            target = tmp_path / "by-hand" / member.name
            target.parent.mkdir(parents=True, exist_ok=True)
            source = tar.extractfile(member)
            assert source is not None
            target.write_bytes(source.read())
    folder = tmp_path / "by-hand" / "short"
    with tarfile.open(tmp_path / "again.tar", "w") as tar:
        for path in [folder, *sorted(folder.rglob("*"), key=lambda one: one.name == CHECKSUM_FILE)]:
            tar.add(path, path.relative_to(folder.parent).as_posix(), recursive=False)
    assert check_recording(
        Recording.open(extract_recording(tmp_path / "again.tar", tmp_path))
    ).is_complete


@settings(
    max_examples=examples(150),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.data())
def test_any_flipped_or_cut_file_is_refused_or_the_same(
    tmp_path: Path, packed: Path, data: st.DataObject
):
    """One bit anywhere, or an end anywhere: never another recording, never half a one."""
    content = bytearray(packed.read_bytes())
    at = data.draw(st.integers(0, len(content) - 1))
    if data.draw(st.booleans()):
        content[at] ^= 1 << data.draw(st.integers(0, 7))
    else:
        del content[at:]
    file, into = tmp_path / "x.tar", tmp_path / "into"
    file.write_bytes(content)
    shutil.rmtree(into, ignore_errors=True)
    try:
        path = extract_recording(file, into)
    except InputError:
        assert not into.exists() or list(into.iterdir()) == []
    else:
        # What lies between the files, and how old they are, is no part of a recording.
        assert _files(path) == _files(packed.parent / "short")


def _tar(path: Path, members: list[tarfile.TarInfo], content: bytes = b"x") -> Path:
    with tarfile.open(path, "w", format=tarfile.PAX_FORMAT) as tar:
        for member in members:
            member.size = len(content) if member.isreg() else 0
            tar.addfile(member, io.BytesIO(content))
    return path


def _member(name: str, kind: bytes = tarfile.REGTYPE, link: str = "") -> tarfile.TarInfo:
    member = tarfile.TarInfo(name)
    member.type, member.linkname = kind, link
    return member


@pytest.mark.parametrize(
    "name",
    [
        "/etc/x",
        "../x",
        "rec/../../x",
        "rec/./x",
        "rec//x",
        "rec/.hidden",
        ".rec/x",
        "rec/a\\..\\x",
        "rec/a\nb",
        "rec/" + "a" * 300,
        "x",
        "other/x",
        "rec/live.lock",
        "rec/inbox/ask.json",
        "rec/recording.json/x",
        "rec/recording.json",
    ],
)
def test_a_path_that_leads_elsewhere(tmp_path: Path, name: str):
    """Outside, hidden, twice or below a file: refused in a sentence, and nothing is written."""
    into = tmp_path / "deep" / "into"
    file = _tar(tmp_path / "x.tar", [_member("rec/recording.json"), _member(name)])
    with pytest.raises(InputError, match=r"nothing was unpacked|found"):
        extract_recording(file, into)
    assert not into.exists() or list(into.iterdir()) == []
    assert sorted(path.name for path in tmp_path.iterdir()) in (["deep", "x.tar"], ["x.tar"])


@pytest.mark.parametrize(
    "kind",
    [tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.CHRTYPE, tarfile.FIFOTYPE, tarfile.CONTTYPE],
)
def test_what_is_no_plain_file(tmp_path: Path, kind: bytes):
    """Links, devices and pipes are not made."""
    file = _tar(
        tmp_path / "x.tar",
        [
            _member("rec/recording.json"),
            _member("rec/frames", kind, "/etc"),
            _member("rec/frames/x"),
        ],
    )
    with pytest.raises(InputError, match="no plain file"):
        extract_recording(file, tmp_path / "into")
    assert list((tmp_path / "into").iterdir()) == []


def test_what_cannot_be_unpacked(tmp_path: Path, packed: Path):
    """A folder that is there, a file that is none, no tar, an empty one: one sentence each."""
    (tmp_path / "short").mkdir()
    with pytest.raises(InputError, match=r"already exists.*--recordings"):
        extract_recording(packed, tmp_path)
    assert list((tmp_path / "short").iterdir()) == []
    with pytest.raises(InputError, match="cannot be read"):
        extract_recording(tmp_path / "none.tar", tmp_path)
    for content in (b"", b"PAR1 no tar at all", bytes(10240)):
        (tmp_path / "x.tar").write_bytes(content)
        with pytest.raises(InputError, match="no packed recording"):
            extract_recording(tmp_path / "x.tar", tmp_path / "into")
    stop = threading.Event()
    stop.set()
    with pytest.raises(OutsideFault, match="stopped"):
        extract_recording(packed, tmp_path / "into", stop=stop)
    assert list((tmp_path / "into").iterdir()) == []


def test_a_full_disk_leaves_nothing(tmp_path: Path, packed: Path, monkeypatch: pytest.MonkeyPatch):
    """The disk takes no more in the middle: told as an outside fault, nothing stays."""
    synced: list[int] = []

    def full(descriptor: int) -> None:
        synced.append(descriptor)
        if len(synced) > 5:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    (tmp_path / "into").mkdir()
    with monkeypatch.context() as patched:
        patched.setattr("logger.store.tools.unpack.os.fsync", full)
        with pytest.raises(OutsideFault, match="No space left"):
            extract_recording(packed, tmp_path / "into")
    assert list((tmp_path / "into").iterdir()) == []


def test_two_at_once_do_not_meet(tmp_path: Path, packed: Path):
    """The second is refused while the first still writes; what a killed one left is cleared."""
    lock = begin_staging(tmp_path / "short")
    (staging_path(tmp_path / "short") / "left.parquet").write_text("half")
    with pytest.raises(InputError, match="another logger"):
        extract_recording(packed, tmp_path)
    lock.release()
    path = extract_recording(packed, tmp_path)
    assert not (path / "left.parquet").exists()
    assert [one.name for one in tmp_path.iterdir()] == ["short"]


@pytest.mark.parametrize("kind", [b"x", b"g", b"L", b"0"])
@pytest.mark.parametrize("size", [2**62, 2**40, 2**33])
def test_a_head_that_claims_more_than_there_is(
    tmp_path: Path, packed: Path, kind: bytes, size: int
):
    """In base 256, with a checksum that fits: refused before anything is taken for it."""
    raw = bytearray(packed.read_bytes())
    raw[124:136] = b"\x80" + size.to_bytes(11, "big")
    raw[156:157] = kind
    raw[148:156] = b" " * 8
    raw[148:156] = f"{sum(raw[:512]):06o}\0 ".encode()
    (tmp_path / "x.tar").write_bytes(raw)
    with pytest.raises(InputError, match=r"x\.tar: "):
        extract_recording(tmp_path / "x.tar", tmp_path / "into")
    assert not (tmp_path / "into").exists() or list((tmp_path / "into").iterdir()) == []


def test_a_path_that_no_file_system_takes(tmp_path: Path):
    """The tar is wrong, not the disk: refused as input."""
    with tarfile.open(tmp_path / "x.tar", "w", format=tarfile.PAX_FORMAT) as tar:
        info = tarfile.TarInfo("short/" + "/".join(["d" * 90] * 60))
        tar.addfile(info, io.BytesIO())
    with pytest.raises(InputError, match="characters, expected at most"):
        extract_recording(tmp_path / "x.tar", tmp_path / "into")


def test_a_pipe_is_not_waited_for(tmp_path: Path):
    """Nobody writes into it."""
    os.mkfifo(tmp_path / "x.tar")
    with pytest.raises(InputError, match="a pipe"):
        extract_recording(tmp_path / "x.tar", tmp_path / "into")
