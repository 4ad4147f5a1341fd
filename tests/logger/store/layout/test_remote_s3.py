"""Recordings in a real S3-speaking store: read where they lie, faults in sentences."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import InputError, OutsideFault
from logger.simulate import scenario
from logger.store.layout.remote import Address, location_of
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.command import run
from tests.support.s3_server import S3Server

fsspec = pytest.importorskip(
    "fsspec", reason='the extra "remote" is not installed: nothing at an address can be opened'
)
pytest.importorskip("s3fs", reason='the extra "remote" is not installed: no s3:// can be opened')
pytest.importorskip("moto", reason="moto, of the development tools, is not installed: no store")

S = 1_000_000_000


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[S3Server]:
    """Give a store of its own process."""
    made = S3Server(tmp_path_factory.mktemp("s3"))
    yield made
    made.kill()


@pytest.fixture
def store(server: S3Server, monkeypatch: pytest.MonkeyPatch):
    """Give the store's file system, with what it takes to reach it in the environment."""
    return _reached(server, monkeypatch)


def _reached(server: S3Server, monkeypatch: pytest.MonkeyPatch):
    for name, value in server.environment.items():
        monkeypatch.setenv(name, value)
    fsspec.get_filesystem_class("s3").clear_instance_cache()
    return fsspec.filesystem("s3", use_listings_cache=False)


@pytest.fixture
def there(store, overheat: Recording) -> Address:
    """Give the address of a recording in the store."""
    if not store.exists("bench"):
        store.mkdir("bench")
        store.put(str(overheat.path), "bench/overheat", recursive=True)
    address = location_of("s3://bench/overheat")
    assert isinstance(address, Address)
    return address


def _size(folder: Path) -> int:
    return sum(one.stat().st_size for one in folder.rglob("*") if one.is_file())


def test_a_window_reads_a_window(server: S3Server, there: Address, overheat: Recording):
    """A minute of one channel: by ranges, of that joint, and a small share of the whole."""
    before = len(server.fetched())
    opened = Recording.open(there)
    at = opened.start_ns + 600 * S
    mine = opened.read_readings("shoulder", at, at + 60 * S, channels=["current_A"])
    other = overheat.read_readings("shoulder", at, at + 60 * S, channels=["current_A"])
    assert mine.columns["current_A"].tobytes() == other.columns["current_A"].tobytes()
    fetched = [one for one in server.fetched()[before:] if one["path"].endswith(".parquet")]
    assert fetched
    assert all(one["status"] == 206 and one["range"] for one in fetched)
    rows = [one for one in fetched if "/status/joint=shoulder/" in one["path"]]
    assert rows
    assert not [one for one in fetched if "/frames/" in one["path"]]
    whole = _size(Path(str(overheat.path)))
    assert sum(one["bytes"] for one in fetched) < whole / 4
    # Asked again it is not fetched again.
    count = len(server.fetched())
    opened.read_readings("shoulder", at, at + 60 * S, channels=["current_A"])
    assert len(server.fetched()) == count


def test_figures_of_the_whole_read_the_pyramid(
    server: S3Server, there: Address, overheat: Recording
):
    """Mean and RMS of all of it take no rows but those at its ends."""
    span = ("shoulder", "torque_Nm", overheat.start_ns, overheat.end_ns)
    before = len(server.fetched())
    assert span_statistics(Recording.open(there), *span) == span_statistics(overheat, *span)
    fetched = server.fetched()[before:]
    assert sum(one["bytes"] for one in fetched) < _size(Path(str(overheat.path))) / 4


@pytest.mark.parametrize("command", ["excursions", "check"])
def test_the_commands_answer_the_same(
    server: S3Server, there: Address, overheat: Recording, command: str
):
    """As in the folder, to the last character."""
    far = run(command, str(there), "--json")
    assert far.returncode == 0, far.stderr
    assert far.stderr == ""
    assert far.stdout == run(command, str(overheat.path), "--json").stdout


def test_other_commands_refuse_an_address(tmp_path: Path):
    """Where a folder is meant an address is no folder named `s3:`."""
    for words in (
        ("pack", "s3://bench/overheat"),
        ("seal", "memory://overheat"),
        ("note", "s3://bench/overheat", "text"),
        ("export", "s3://bench/overheat", "--out", "x.csv"),
        ("simulate", "--hours", "0.01", "--out", "s3://bench/new"),
        ("dashboard", "--recordings", "s3://bench"),
    ):
        done = run(*words, cwd=tmp_path)
        assert done.returncode == 2, words
        assert "://" in done.stderr
        assert "found an address, expected a folder here" in done.stderr
    assert not list(tmp_path.iterdir())


def test_what_may_not_be_read_is_refused(store, there: Address, monkeypatch: pytest.MonkeyPatch):
    """No bucket, nothing at the name, a bucket that denies, no credentials: exit status 2."""
    for text, said in (
        ("s3://no-such-bucket/overheat", "there is nothing at this address"),
        ("s3://bench/none", "there is no such recording"),
        ("s3://bench/overheat/recording.json", "found a file"),
    ):
        with pytest.raises(InputError, match=f"^{text}: {said}"):
            Recording.open(location_of(text))
    deny = {
        "Version": "2012-10-17",
        "Statement": [
            {
                "Effect": "Deny",
                "Principal": "*",
                "Action": "s3:GetObject",
                "Resource": "arn:aws:s3:::secret/*",
            }
        ],
    }
    store.mkdir("secret")
    store.put(str(Path(__file__)), "secret/rec/recording.json")
    store.call_s3("put_bucket_policy", Bucket="secret", Policy=json.dumps(deny))
    with pytest.raises(InputError, match="may not be read"):
        Recording.open(location_of("s3://secret/rec"))
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.delenv(name)
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    done = run("check", str(there))
    assert done.returncode == 2, done.stderr
    assert "credentials" in done.stderr


def test_a_store_that_dies_ends_it(
    tmp_path: Path, overheat: Recording, monkeypatch: pytest.MonkeyPatch
):
    """Killed in the middle of a sweep, and not there at all: exit status 3, in a sentence."""
    server = S3Server(tmp_path)
    store = _reached(server, monkeypatch)
    try:
        store.mkdir("bench")
        store.put(str(overheat.path), "bench/overheat", recursive=True)
        opened = Recording.open(location_of("s3://bench/overheat"))
        (tmp_path / "limits.toml").write_text(scenario.scenario_limits_text(), encoding="utf-8")
        (tmp_path / "sweep.toml").write_text(
            'format = 1\n[bad_end]\nchannel = "temperature_housing_degC"\nabove = 77.0\n'
            'joint = "shoulder"\n[[vary]]\nlimit = "heats-fast"\nkey = "over_s"\nfrom = 60.0\n'
            "to = 300.0\nsteps = 200\n",
            encoding="utf-8",
        )
        before = len(server.fetched())
        with subprocess.Popen(
            [sys.executable, "-m", "dutytrace", "tune", "s3://bench/overheat", "--limits",
             "limits.toml", "--sweep", "sweep.toml", "--jobs", "1"],
            stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[4])},
        ) as process:  # fmt: skip
            end = time.monotonic() + 30.0
            while len(server.fetched()) < before + 5:
                assert time.monotonic() < end
                assert process.poll() is None
                time.sleep(0.01)
            server.kill()
            _, errors = process.communicate(timeout=60)
        assert process.returncode == 3, errors
        assert errors.startswith("dutytrace: s3://bench/overheat/")
        assert ".parquet: it cannot be read (" in errors
        assert "Traceback" not in errors
        # It never passes for damage or for rows that are missing.
        with pytest.raises(OutsideFault, match="it cannot be read"):
            opened.read_readings("elbow", opened.start_ns, opened.end_ns)
    finally:
        server.kill()
    begun = time.monotonic()
    done = run("check", "s3://bench/overheat")
    assert done.returncode == 3
    assert done.stderr.startswith("dutytrace: s3://bench/overheat: it cannot be read (")
    assert time.monotonic() - begun < 30.0
