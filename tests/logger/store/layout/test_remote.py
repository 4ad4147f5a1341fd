"""A recording at an address is read as in its folder; what is not finished is refused."""

import pickle
import shutil
from pathlib import Path

import pytest

from logger.errors import InputError, OutsideFault
from logger.simulate import scenario
from logger.store.layout.manifest import new_manifest, read_manifest
from logger.store.layout.remote import Address, RangeFile, absolute_location, location_of
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording
from replay.window import read_envelope

fsspec = pytest.importorskip(
    "fsspec", reason='the extra "remote" is not installed: nothing at an address can be opened'
)


@pytest.fixture
def memory(overheat: Recording):
    """Give a store in memory that holds a recording."""
    store = fsspec.filesystem("memory")
    store.put(str(overheat.path), "/shelf/overheat", recursive=True)
    yield store
    store.rm("/shelf", recursive=True)


@pytest.mark.parametrize("kind", ["memory", "file"])
def test_it_reads_as_in_its_folder(memory, overheat: Recording, kind: str):
    """Excursions, gaps, rows, sums and any window are the same from an address."""
    text = "memory://shelf/overheat/" if kind == "memory" else f"file://{overheat.path}"
    there = Recording.open(location_of(text))
    assert str(there.path) == text.rstrip("/")
    assert there.name == overheat.name
    assert find_excursions(there) == find_excursions(overheat)
    assert check_recording(there) == check_recording(overheat)
    assert check_recording(there).is_complete
    assert not there.live
    assert not there.refresh()
    begin, end = overheat.start_ns, overheat.end_ns
    for span in ((begin, end), (begin + 10**11, begin + 10**11 + 10**9)):
        mine, other = (
            read_envelope(one, "shoulder", "current_A", *span, bins=200)
            for one in (there, overheat)
        )
        assert mine.mean.tobytes() == other.mean.tobytes()
        assert mine.maximum.tobytes() == other.maximum.tobytes()


def test_nothing_but_the_address_travels():
    """Pickled it is its text, and nothing was opened for that."""
    address = location_of("s3://nobody-has-this/NAME/")
    assert isinstance(address, Address)
    assert len(pickle.dumps(address)) < 200
    assert pickle.loads(pickle.dumps(address)) == address
    assert str(address) == "s3://nobody-has-this/NAME"
    assert (address / "frames").name == "frames"
    assert absolute_location(address) is address
    assert absolute_location(location_of(".")) == Path.cwd()


def test_what_is_no_recording_is_refused(memory):
    """Nothing there, a file, a folder of something else, a kind of address that nobody knows."""
    memory.pipe_file("/shelf/other/readme.txt", b"x")
    for text, said in (
        ("memory://shelf/none", "there is no such recording"),
        ("memory://shelf/other", "has no recording.json"),
        ("memory://shelf/other/readme.txt", "found a file"),
        ("nonsense://shelf", "Protocol not known"),
    ):
        with pytest.raises(InputError, match=said):
            Recording.open(location_of(text))


def test_a_recording_without_an_end_is_refused(tmp_path: Path):
    """One that is being written, and one whose journal still holds rows: in words."""
    path = tmp_path / "rec"
    bench = scenario.scenario_bench(channel="simulated", rate_Hz=10.0)
    writer = RecordingWriter(
        path, new_manifest(bench, name="r", started_ns=10**18), bench, now_s=0.0
    )
    with pytest.raises(InputError, match=r"has rows in its journal.*finished.*dutytrace seal"):
        Recording.open(location_of(f"file://{path}"))
    copy = tmp_path / "copy"
    shutil.copytree(path, copy, ignore=shutil.ignore_patterns(".*.aside"))
    shutil.rmtree(copy / "journal")
    with pytest.raises(InputError, match=r"has no end.*finished"):
        Recording.open(location_of(f"file://{copy}"))
    writer.close(ended_ns=10**18 + 10**9, cause="test")
    assert read_manifest(location_of(f"file://{path}")).name == "r"
    assert Recording.open(location_of(f"file://{path}")).end_ns == 10**18 + 10**9


def test_a_damaged_byte_is_never_a_number(memory, overheat: Recording):
    """What is fetched is compared with its sum before it is decoded."""
    name = memory.find("/shelf/overheat/status/joint=elbow")[0]
    whole = memory.cat_file(name)
    memory.pipe_file(name, whole[:5000] + bytes([whole[5000] ^ 4]) + whole[5001:])
    there = Recording.open(location_of("memory://shelf/overheat"))
    assert any("is not what was written" in one for one in there.describe_damage())
    with pytest.raises(InputError, match="this part is damaged"):
        there.read_readings("elbow", there.start_ns, there.end_ns)


def test_what_was_listed_and_is_gone_is_no_damage(memory):
    """A store that loses a file ends it: rows are never left out for that."""
    there = Recording.open(location_of("memory://shelf/overheat"))
    memory.rm("/shelf/overheat/status/joint=elbow", recursive=True)
    with pytest.raises(OutsideFault, match="was listed and is gone"):
        there.read_readings("elbow", there.start_ns, there.end_ns)


def test_stretches_fetch_what_is_asked_and_no_more(memory):
    """Named stretches come at once, close ones together; others when they are read."""
    memory.pipe_file("/shelf/rec/file", bytes(range(256)) * 400)
    address = Address("memory://shelf/rec") / "file"
    asked = []
    fetch = address.read_ranges

    class Counted:
        size = address.size

        def read_ranges(self, stretches):
            asked.extend(stretches)
            return fetch(stretches)

    file = RangeFile(Counted(), [(90_000, 10), (0, 4), (300, 6), (5, 0)])
    assert asked == [(0, 306), (90_000, 10)]
    assert file.bytes_at(300, 6) == bytes([44, 45, 46, 47, 48, 49])
    assert file.seek(-4, 2) == 102_396
    assert file.read() == bytes([252, 253, 254, 255])
    assert asked[2:] == [(102_396, 4)]
    assert file.read(7) == b""
