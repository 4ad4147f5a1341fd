"""Sealing throws nothing away, and makes anew what follows from the rows."""

import errno
import shutil
from pathlib import Path

import numpy as np
import pytest

import logger.store.repair.recovery as seal_module
from logger.errors import InputError, OutsideFault
from logger.joint.batch import ReadingBatch
from logger.simulate import scenario
from logger.store.layout.files import INBOX_FOLDER, JOURNAL_FOLDER, overview_stream, status_stream
from logger.store.layout.manifest import new_manifest, read_manifest
from logger.store.parts.part import Part, list_parts
from logger.store.parts.part_writer import write_part
from logger.store.reading.reader import RecordingReader
from logger.store.repair.post_request import append_event, submit_request
from logger.store.repair.recovery import seal
from logger.store.writing.inbox import EventRequest, claim_requests
from logger.store.writing.journal import JournalWriter
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.recording import Recording
from replay.statistics import span_statistics
from tests.support.parts import SEALED_HERE, owner_of, tick_into_parts

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")
CHANNEL = "temperature_housing_degC"
ALL = {"start_ns": 0, "end_ns": 2**62}


def _writer(path: Path) -> RecordingWriter:
    return RecordingWriter(
        path,
        new_manifest(BENCH, name="t", started_ns=START_NS),
        BENCH,
        now_s=0.0,
        flush_policy=SEALED_HERE,
    )


def _readings(part: int, joint: str = "elbow") -> ReadingBatch:
    dice = np.random.default_rng(part)
    return ReadingBatch(
        joint=joint,
        time_ns=START_NS + (part * 300 + np.arange(300)) * 10_000_000,
        position_segment=np.full(300, -1, np.int32),
        columns={CHANNEL: dice.normal(40.0, 1.0, 300)},
    )


def _recorded(path: Path, *, parts: int = 4, closed: bool = True) -> Path:
    """Record so many parts of two joints."""
    writer = _writer(path)
    for part in range(parts):
        for joint in ("elbow", "shoulder"):
            writer.append_readings(_readings(part, joint))
        tick_into_parts(writer, 1000.0 * (part + 1))
    if closed:
        writer.close(ended_ns=START_NS + parts * 3_000_000_000, cause="test")
    else:
        writer.abandon()
    return path


def _overviews(path: Path) -> dict[str, bytes]:
    return {
        str(part.path.relative_to(path)): part.path.read_bytes()
        for joint in ("elbow", "shoulder")
        for part in list_parts(path / overview_stream(joint))
    }


@pytest.mark.parametrize("how", ["gone", "cut", "flipped"])
@pytest.mark.parametrize("which", [(0,), (1,), (4,), (0, 2), (3, 4), (0, 1, 2, 3, 4)])
def test_overviews_are_made_anew(tmp_path: Path, how: str, which: tuple[int, ...]):
    """Those of one joint, of both, the last of all: byte for byte what was lost; then nothing."""
    path = _recorded(tmp_path / "rec")
    before = _overviews(path)
    for joint in ("elbow", "shoulder"):
        for place in which:
            part = list_parts(tmp_path / "rec" / overview_stream(joint))
            file = next(one.path for one in part if one.path.name == _name(place))
            content = file.read_bytes()
            middle = len(content) // 2
            if how == "gone":
                file.unlink()
            elif how == "cut":
                file.write_bytes(content[:-1])
            else:
                file.write_bytes(content[:middle] + b"\xff\0\xff" + content[middle + 3 :])
    assert check_recording(Recording.open(path)).is_complete, "no row is lost"
    assert seal(path)
    assert _overviews(path) == before
    assert not seal(path)
    found = span_statistics(
        Recording.open(path), "elbow", CHANNEL, START_NS, START_NS + 4 * 3_000_000_000
    )
    values = np.concatenate([_readings(part).columns[CHANNEL] for part in range(4)])
    assert (found.n, found.maximum) == (len(values), values.max())
    assert found.mean == pytest.approx(values.mean(), rel=1e-9)


def _name(place: int) -> str:
    first, end = (place * 300, place * 300 + 300) if place < 4 else (1200, 1200)
    return f"part-{first:012d}-{end:012d}.parquet"


@pytest.mark.parametrize("how", ["gone", "cut", "flipped"])
def test_upper_levels_are_made_anew(tmp_path: Path, how: str):
    """A part of an upper level, or a level as a whole: as it was, and the second time nothing."""
    path = _recorded(tmp_path / "rec", parts=26)

    def upper() -> dict[str, bytes]:
        folder = path / overview_stream("elbow")
        return {str(file): file.read_bytes() for file in folder.glob("width=*/part-*.parquet")}

    before = upper()
    assert len(before) == 3
    first = Path(min(before))
    if how == "gone":
        shutil.rmtree(first.parent)
    else:
        content = bytearray(before[str(first)])
        content[len(content) // 3] ^= 0xFF
        first.write_bytes(bytes(content) if how == "flipped" else bytes(content[:-1]))
    assert seal(path)
    assert upper() == before
    assert not seal(path)


def test_a_damaged_overview_does_not_end_a_recorder(tmp_path: Path):
    """Eight parts would be consolidated, one is damaged: they are left as they are."""
    path = tmp_path / "rec"
    writer = _writer(path)
    for part in range(12):
        writer.append_readings(_readings(part))
        tick_into_parts(writer, 1000.0 * (part + 1))
        if part == 3:
            file = list_parts(path / overview_stream("elbow"))[1].path
            content = bytearray(file.read_bytes())
            content[100] ^= 0xFF
            file.write_bytes(bytes(content))
    writer.close(ended_ns=START_NS + 40 * 10**9, cause="test")
    assert check_recording(Recording.open(path)).is_complete
    assert seal(path)
    assert not seal(path)
    found = span_statistics(Recording.open(path), "elbow", CHANNEL, START_NS, START_NS + 36 * 10**9)
    assert found.n == 3600


def test_an_overview_is_made_anew_before_more_rows_follow(tmp_path: Path):
    """A crash and a bad disk together: what the newest one carried is not forgotten."""
    path = _recorded(tmp_path / "rec", closed=False)
    whole = Path(shutil.copytree(path, tmp_path / "whole"))
    for one in (path, whole):
        # What the logger that died had not sealed.
        journal = JournalWriter(one / JOURNAL_FOLDER, number=50)
        run = next(
            iter(
                RecordingReader(_recorded(tmp_path / f"5-{one.name}", parts=5))
                .read_rows(status_stream("elbow"), **ALL)
                .slice(1200)
                .to_batches()
            )
        )
        journal.append_rows(status_stream("elbow"), 1200, run)
        journal.close()
    list_parts(path / overview_stream("elbow"))[-1].path.write_bytes(b"")
    assert seal(path)
    assert seal(whole)
    assert _overviews(path) == _overviews(whole)


def test_overviews_of_damaged_rows(tmp_path: Path):
    """Rows that cannot be read have no overview: told, the others made anew, and sealing ends."""
    path = _recorded(tmp_path / "rec")
    shutil.rmtree(path / overview_stream("elbow"))
    rows = list_parts(path / status_stream("elbow"))
    for part in (rows[1], rows[3]):
        part.path.write_bytes(part.path.read_bytes()[:-2])
    assert seal(path)
    assert not seal(path)
    told = [part.path.name for part in list_parts(path / overview_stream("elbow"))]
    assert told == [_name(0), _name(2)]
    assert (
        len([said for said in RecordingReader(path).describe_missing() if "cannot be read" in said])
        == 2
    )


@pytest.mark.parametrize("how", ["cut", "flipped"])
def test_a_damaged_part_whose_journal_is_there(tmp_path: Path, how: str):
    """Killed before the journal went, and the part did not reach the disk: no row is lost."""
    path = tmp_path / "rec"
    writer = _writer(path)
    kept: list[bytes] = []
    for part in range(2):
        writer.append_readings(_readings(part))
        journal = writer._journal.path
        writer._journal.flush()
        kept.append(journal.read_bytes())
        tick_into_parts(writer, 1000.0 * (part + 1))
    writer.append_readings(_readings(2))
    writer.abandon()
    journal.write_bytes(kept[1])
    damaged = list_parts(path / status_stream("elbow"))[-1].path
    content = bytearray(damaged.read_bytes())
    content[200] ^= 0xFF
    damaged.write_bytes(bytes(content) if how == "flipped" else bytes(content[:-1]))
    if how == "cut":
        assert RecordingReader(path).read_rows(status_stream("elbow"), **ALL).num_rows == 900
        assert RecordingReader(path).row_count(status_stream("elbow")) == 900
    assert seal(path)
    recording = Recording.open(path)
    values = np.concatenate([_readings(part).columns[CHANNEL] for part in range(3)])
    batch = recording.read_readings("elbow", 0, 2**62)
    np.testing.assert_array_equal(batch.columns[CHANNEL], values)
    assert len(recording.describe_missing()) == 1, "only that it was not closed"
    assert check_recording(recording).missing == recording.describe_missing()
    assert span_statistics(recording, "elbow", CHANNEL, START_NS, START_NS + 10**10).n == 900
    assert not seal(path)


def test_a_journal_of_another_bench_is_not_thrown_away(tmp_path: Path):
    """recording.json was changed by hand: a sentence, and every journal is still there."""
    path = tmp_path / "rec"
    writer = _writer(path)
    writer.append_readings(_readings(0))
    writer.abandon()
    whole = (path / "recording.json").read_text(encoding="utf-8")
    changed = whole.replace('\\"elbow\\"', '\\"wrist\\"')
    assert changed != whole
    (path / "recording.json").write_text(changed, encoding="utf-8")
    with pytest.raises(InputError, match=r"rows of status/joint=elbow.*nothing was sealed"):
        seal(path)
    (path / "recording.json").write_text(whole, encoding="utf-8")
    assert seal(path)
    assert RecordingReader(path).row_count(status_stream("elbow")) == 300


def test_what_was_half_written_goes(tmp_path: Path):
    """Files that never got their name are cleared away; not those that others are just posting."""
    path = _recorded(tmp_path / "rec", closed=False)
    half = path / "frames" / ".part-000000000000-000000000009.parquet.aside"
    half.parent.mkdir(exist_ok=True)
    half.write_bytes(b"PAR1")
    posting = path / INBOX_FOLDER / ".1.json.aside"
    posting.write_bytes(b"{")
    seal(path)
    assert not half.exists()
    assert posting.exists()


def test_two_journals_that_cannot_be_read(tmp_path: Path):
    """Each is kept under a name of its own."""
    path = _recorded(tmp_path / "rec", closed=False)
    for content in (b"one", b"two", b"three"):
        (path / JOURNAL_FOLDER / "00000009.journal").write_bytes(content)
        assert seal(path)
    kept = {file.name: file.read_bytes() for file in (path / JOURNAL_FOLDER).iterdir()}
    assert sorted(kept.values()) == [b"one", b"three", b"two"]
    missing = RecordingReader(path).describe_missing()
    said = [line for line in missing if line.startswith("journal 00000009")]
    assert sorted(line.split()[4] for line in said) == ["3", "5"], "told once for each length"


def test_a_request_outlives_a_crash_between_taking_and_writing(tmp_path: Path):
    """Taken by a recorder that died before its event was flushed: sealing makes it, once."""
    path = tmp_path / "rec"
    writer = _writer(path)
    submit_request(path, kind="note", text="lost?", who="eva")
    [claimed] = claim_requests(path)
    assert (claimed.kind, claimed.text, claimed.who) == ("note", "lost?", "eva")
    writer.abandon()
    assert seal(path)
    assert [event.text for event in RecordingReader(path).read_events()] == ["lost?"]
    assert not seal(path)
    assert list((path / INBOX_FOLDER).iterdir()) == []


def test_requests_on_a_full_disk_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The event cannot be written: the request is still there, and made when there is room."""
    path = tmp_path / "rec"
    writer = _writer(path)
    for text in ("same", "same", "other"):
        submit_request(path, kind="note", text=text)
    writer.abandon()

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(seal_module, "write_part", full)
        with pytest.raises(OutsideFault, match="No space left"):
            seal(path)
    assert len(list((path / INBOX_FOLDER).iterdir())) == 3
    with monkeypatch.context() as patch:
        # Killed between the events and the removal of what asked for them.
        patch.setattr(seal_module, "discard_done", lambda _paths: None)
        assert seal_module.seal_locked(path)
    assert len(list((path / INBOX_FOLDER).iterdir())) == 3
    assert not seal(path), "they are made already"
    assert list((path / INBOX_FOLDER).iterdir()) == []
    assert [event.text for event in RecordingReader(path).read_events()] == [
        "same",
        "same",
        "other",
    ]


def test_a_note_after_the_last_events_are_lost(tmp_path: Path):
    """It is numbered behind all that ever was: what is missing stays missing."""
    path = _recorded(tmp_path / "rec", parts=1)
    for text in "abc":
        append_event(path, EventRequest(kind="note", text=text))
    manifest = read_manifest(path)
    assert manifest.rows["events"] == 0
    rows = RecordingReader(path).read_rows("events", **ALL)
    write_part(path / "events", rows, first_row=10, owner=owner_of(path, "events"))
    assert any("rows 3 to 9" in said for said in RecordingReader(path).describe_missing())
    append_event(path, EventRequest(kind="note", text="d"))
    assert list_parts(path / "events")[-1].first_row == 13
    assert any("rows 3 to 9" in said for said in RecordingReader(path).describe_missing())


def test_a_recorder_that_goes_on_looks_at_the_newest_parts_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Of months, reading each byte again would take minutes; a crash concerns the newest."""
    path = _recorded(tmp_path / "rec", parts=24, closed=False)
    folder = path / overview_stream("elbow")
    first_level = list_parts(folder)
    for lost in (first_level[3], first_level[-1]):
        lost.path.unlink()
    looked: set[Path] = set()
    verify = Part.verify_part

    def noted(self: Part) -> str:
        looked.add(self.path)
        return verify(self)

    monkeypatch.setattr(Part, "verify_part", noted)
    seal(path, every_part=False)
    monkeypatch.undo()
    again = [part.name for part in list_parts(folder)]
    assert first_level[-1].name in again, "made again"
    assert first_level[3].name not in again, "left to `seal`; its rows are read meanwhile"
    of_joint = {one.name for one in looked if one.parent == folder}
    assert len(of_joint) <= 10 < len(first_level)
    whole = [_readings(part).columns[CHANNEL] for part in range(24)]
    for _ in range(2):
        recording = Recording.open(path)
        found = span_statistics(recording, "elbow", CHANNEL, recording.start_ns, recording.end_ns)
        assert (found.n, found.maximum) == (24 * 300, np.max(whole))
        seal(path)
    assert first_level[3].name in [part.name for part in list_parts(folder)]
