"""The journal: what is read is always a prefix of what was written."""

from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.store.writing import journal
from logger.store.writing.journal import JournalReader, JournalWriter, journal_files
from tests.support.depth import examples

HEAD = len(b"dutytrace journal 1\n") + 24


def _batch(first: int, count: int) -> pa.RecordBatch:
    return pa.RecordBatch.from_pydict({"row": list(range(first, first + count))})


def _written(folder: Path, *, number: int = 0, batches: int = 8, shift: int = 0) -> Path:
    writer = JournalWriter(folder, number=number)
    for index in range(batches):
        writer.append_rows(
            "even" if index % 2 == 0 else "odd", index * 3, _batch(shift + index * 3, 3)
        )
        writer.flush()
    writer.close()
    return writer.path


def _read(path: Path) -> list[int]:
    return [
        row for run in JournalReader(path).read_new_rows() for row in run.batch["row"].to_pylist()
    ]


def _is_prefix(rows: list[int]) -> bool:
    return rows == list(range(len(rows)))


def test_what_was_written_is_read(tmp_path: Path):
    """Streams, row numbers and rows come back in order."""
    path = _written(tmp_path)
    runs = list(JournalReader(path).read_new_rows())
    assert [run.first_row for run in runs] == [0, 3, 6, 9, 12, 15, 18, 21]
    assert {run.stream for run in runs} == {"even", "odd"}
    assert _read(path) == list(range(24))
    assert journal_files(tmp_path) == [(0, path)]


def test_cut_at_every_byte(tmp_path: Path):
    """However much of the end is lost, a prefix remains, and it never shrinks with more bytes."""
    path = _written(tmp_path)
    whole = path.read_bytes()
    longest = 0
    for length in range(len(whole) + 1):
        path.write_bytes(whole[:length])
        rows = _read(path)
        assert _is_prefix(rows)
        assert len(rows) >= longest
        longest = len(rows)
    assert longest == 24


def test_zeroed_from_every_point_on(tmp_path: Path):
    """A zeroed end never reads as data."""
    path = _written(tmp_path)
    whole = path.read_bytes()
    for start in range(0, len(whole), 7):
        path.write_bytes(whole[:start] + bytes(len(whole) - start))
        assert _is_prefix(_read(path))


@settings(
    max_examples=examples(150),
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
def test_flipped_bits(tmp_path: Path, data: st.DataObject):
    """A flipped bit ends the reading at or before the record that it is in."""
    path = tmp_path / "00000000.journal"
    path.unlink(missing_ok=True)
    _written(tmp_path)
    content = bytearray(path.read_bytes())
    place = data.draw(st.integers(0, len(content) - 1))
    content[place] ^= 1 << data.draw(st.integers(0, 7))
    path.write_bytes(bytes(content))
    rows = _read(path)
    assert _is_prefix(rows)
    assert len(rows) < 24 or place < HEAD


def test_a_page_left_from_an_earlier_file_is_no_data(tmp_path: Path):
    """The checksum begins with the file's own salt: another file's record does not pass."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    older = _written(tmp_path / "a", shift=500).read_bytes()
    path = _written(tmp_path / "b")
    newer = path.read_bytes()
    assert len(older) == len(newer)
    for cut in range(HEAD, len(newer), 64):
        path.write_bytes(newer[:cut] + older[cut:])
        assert _is_prefix(_read(path))
        assert len(_read(path)) < 24


def test_a_growing_file_is_read_on(tmp_path: Path):
    """A reader takes up where it left off, once each row."""
    writer = JournalWriter(tmp_path, number=3)
    reader = JournalReader(writer.path)
    seen: list[int] = []
    for index in range(5):
        writer.append_rows("s", index, _batch(index, 1))
        writer.flush()
        seen += [row for run in reader.read_new_rows() for row in run.batch["row"].to_pylist()]
    writer.close()
    assert seen == [0, 1, 2, 3, 4]
    writer.path.unlink()
    with pytest.raises(FileNotFoundError):
        list(reader.read_new_rows())


def test_rows_of_many_bytes_are_several_records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """No record is longer than a reader takes; a row by itself is one, however long it is."""
    longest = 600
    monkeypatch.setattr(journal, "_SPLIT_BYTES", longest)
    texts = [f"{row:04d}" * 25 for row in range(9)] + ["long" * 1000]
    writer = JournalWriter(tmp_path, number=0)
    rows = {"row": list(range(10)), "text": texts}
    writer.append_rows("s", 40, pa.RecordBatch.from_pydict(rows))
    writer.close()
    runs = list(JournalReader(writer.path).read_new_rows())
    assert [text for run in runs for text in run.batch["text"].to_pylist()] == texts
    assert len(runs) > 2
    at = 40
    for run in runs:
        assert run.first_row == at
        assert run.batch.num_rows == 1 or run.batch.serialize().size <= longest
        at += run.batch.num_rows


def test_the_next_one_follows_its_folder(tmp_path: Path):
    """Moved, and another recording's in its place: nothing is made in that one."""
    folder, moved = tmp_path / "journal", tmp_path / "moved"
    folder.mkdir()
    first = JournalWriter(folder, number=0)
    folder.rename(moved)
    folder.mkdir()
    second = first.make_next()
    for writer in (first, second):
        writer.close()
    assert [number for number, _ in journal_files(moved)] == [0, 1]
    assert not list(folder.iterdir())
