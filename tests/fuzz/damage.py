"""Recordings damaged in their folder: files, recording.json, and rows whose checksums fit."""

import json
import os
import random
import shutil
import zlib
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.parts.part_writer import write_part
from logger.store.reading.reader import RecordingReader
from logger.store.writing.journal import JournalWriter
from tests.fuzz.mutations import hostile_value, json_bytes, mutate_bytes, mutate_json
from tests.support.parts import owner_of

__all__ = ["mutate_recording"]


def mutate_recording(path: Path, draw: random.Random) -> None:
    """Damage a recording in its folder."""
    for _ in range(draw.choice((1, 1, 2))):
        draw.choice(
            (
                _manifest_values,
                _manifest_values,
                _file_bytes,
                _file_bytes,
                _file_bytes,
                _files_swapped,
                _file_replaced,
                _journal_rows,
                _journal_rows,
                _part_rows,
                _overview_rows,
                _inbox,
            )
        )(path, draw)


def _files(path: Path) -> list[Path]:
    return sorted(file for file in path.rglob("*") if file.is_file())


def _manifest_values(path: Path, draw: random.Random) -> None:
    file = path / "recording.json"
    if not file.is_file():
        # An earlier change made it a device or a pipe, which has no end.
        return
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return
    changed = mutate_json(content, draw)
    if isinstance(changed, dict) and draw.random() < 0.6:
        # Written on purpose: its checksum fits.
        changed.pop("crc32", None)
        try:
            text = json.dumps(changed, sort_keys=True, separators=(",", ":"))
        except (ValueError, RecursionError):
            return
        changed["crc32"] = f"{zlib.crc32(text.encode()):08x}"
    file.write_bytes(json_bytes(changed))


def _file_bytes(path: Path, draw: random.Random) -> None:
    files = _files(path)
    if files:
        file = draw.choice(files)
        file.write_bytes(mutate_bytes(file.read_bytes(), draw))


def _files_swapped(path: Path, draw: random.Random) -> None:
    files = _files(path)
    if len(files) > 1:
        one, other = draw.sample(files, 2)
        content = one.read_bytes()
        one.write_bytes(other.read_bytes())
        other.write_bytes(content)


def _file_replaced(path: Path, draw: random.Random) -> None:
    entries = sorted(path.rglob("*"))
    if not entries:
        return
    entry = draw.choice(entries)
    if entry.is_dir() and not entry.is_symlink():
        shutil.rmtree(entry)
    else:
        entry.unlink(missing_ok=True)
    match draw.randrange(6):
        case 0:
            os.mkfifo(entry)
        case 1:
            entry.mkdir()
        case 2:
            entry.symlink_to(entry.name)
        case 3:
            entry.symlink_to("/dev/zero")
        case 4:
            entry.write_bytes(b"")
        case _:
            pass


def _hostile_column(column: pa.Array, draw: random.Random) -> pa.Array:
    n = len(column)
    kind = draw.randrange(5)
    if kind == 0:
        return pa.nulls(n, column.type)
    if kind == 1:
        return pa.array(
            [draw.choice(("", "\x1b[2J", "nobody", "raised", "x" * 300))] * n, pa.string()
        )
    values = draw.choice((2**62, -(2**62), 2**63 - 1, -(2**63), 0, -1, 2**40))
    if pa.types.is_floating(column.type):
        return pa.array(
            [draw.choice((float("nan"), float("inf"), -1e308, 1e308, 0.0))] * n, column.type
        )
    if pa.types.is_string(column.type):
        return pa.array(
            [draw.choice(("", "\x1b[2J\u202e", "nobody", "raised", "returned", "state"))] * n
        )
    if pa.types.is_binary(column.type):
        return pa.array([draw.randbytes(draw.choice((0, 9, 64, 65, 300)))] * n, pa.binary())
    try:
        return pa.array([values] * n, pa.int64()).cast(column.type, safe=False)
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return pa.array([values] * n, pa.int64())


def _hostile_rows(path: Path, draw: random.Random) -> tuple[str, pa.RecordBatch] | None:
    """Return rows of some stream of a recording with one or two columns that nobody records."""
    try:
        reader = RecordingReader(path)
        stream = draw.choice(sorted(reader.schemas))
        table = reader.read_rows(stream, start_ns=0, end_ns=2**62).slice(0, 50)
    except Exception:  # noqa: BLE001 - it was damaged before
        return None
    if table.num_rows == 0:
        table = reader.schemas[stream].empty_table()
    changed = _with_hostile_columns(table, draw)
    return None if changed is None else (stream, changed)


def _with_hostile_columns(table: pa.Table, draw: random.Random) -> pa.RecordBatch | None:
    batch = table.combine_chunks().to_batches(max_chunksize=50)
    if not batch:
        return None
    columns, names = list(batch[0].columns), list(batch[0].schema.names)
    for _ in range(draw.choice((1, 1, 2))):
        at = draw.randrange(len(names))
        match draw.randrange(6):
            case 0 if len(names) > 1:
                del columns[at], names[at]
            case 1:
                names[at] = draw.choice(("", "time", "\x1b", names[0]))
            case _:
                columns[at] = _hostile_column(columns[at], draw)
    return pa.RecordBatch.from_arrays(columns, names=names)


def _journal_rows(path: Path, draw: random.Random) -> None:
    """Add a journal whose checksums fit, with rows, schemas or names that nobody recorded."""
    found = _hostile_rows(path, draw)
    folder = path / JOURNAL_FOLDER
    if found is None:
        return
    stream, batch = found
    name = draw.choice((stream,) * 5 + ("nobody", "status/joint=../x", "", "é"))
    first = draw.choice((0, 0, 0, 400, 10_000, 2**40, 2**63, 2**64 - 1))
    try:
        folder.mkdir(exist_ok=True)
        journal = JournalWriter(folder, number=draw.randrange(2, 10**8))
        journal.append_rows(name, first, batch)
        if draw.random() < 0.3:
            journal._add_record(draw.choice((0, 1, 7)), draw.randrange(3), 0, draw.randbytes(40))
        journal.close()
    except (OSError, pa.ArrowException):
        return


def _part_rows(path: Path, draw: random.Random) -> None:
    """Replace a part by one whose checksums fit, with rows that nobody recorded."""
    found = _hostile_rows(path, draw)
    if found is None:
        return
    stream, batch = found
    parts = sorted((path / stream).glob("part-*.parquet"))
    first = 0
    if parts:
        first = int(parts[-1].name[5:17])
        parts[-1].unlink()
    try:
        # Its owner is the right one: what is tried is what it holds.
        write_part(
            path / stream,
            pa.Table.from_batches([batch]),
            first_row=first,
            owner=owner_of(path, stream),
        )
    except Exception:  # noqa: BLE001 - what cannot be written is no input
        return


def _overview_rows(path: Path, draw: random.Random) -> None:
    """Replace a part of the pyramid by one whose checksums fit, or give it another memory."""
    parts = sorted((path / "overview").rglob("part-*.parquet"))
    if not parts:
        return
    part = draw.choice(parts)
    try:
        table = pq.read_table(part).slice(0, 50)
        metadata = dict(table.schema.metadata or {})
        for key in metadata:
            if draw.random() < 0.5:
                metadata[key] = json.dumps(hostile_value(draw)).encode()[:100_000]
        if draw.random() < 0.7:
            batch = _with_hostile_columns(table, draw)
            if batch is not None:
                table = pa.Table.from_batches([batch])
        table = table.replace_schema_metadata(metadata)
        part.unlink()
        write_part(
            part.parent,
            table,
            first_row=int(part.name[5:17]),
            end_row=int(part.name[18:30]),
            owner=owner_of(path, str(part.parent.relative_to(path))),
        )
    except Exception:  # noqa: BLE001 - what cannot be written is no input
        return


def _inbox(path: Path, draw: random.Random) -> None:
    folder = path / "inbox"
    request = {"format": 1, "kind": "note", "text": "seen", "alert": 0, "for_s": 0.0, "who": "eva"}
    try:
        folder.mkdir(exist_ok=True)
        (folder / draw.choice(("1-1-a.json", "2-2-b.taken"))).write_bytes(
            json_bytes(mutate_json(request, draw))
        )
    except OSError:
        return
