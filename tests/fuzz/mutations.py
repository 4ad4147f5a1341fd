"""What makes sound inputs hostile: bytes, JSON, TOML, recordings, tars. Drawn from one `Random`."""

import copy
import io
import json
import os
import random
import re
import shutil
import tarfile
import zlib
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.parts.part_writer import write_part
from logger.store.reading.reader import RecordingReader
from logger.store.writing.journal import JournalWriter

__all__ = [
    "hostile_value",
    "mutate_bytes",
    "mutate_json",
    "mutate_recording",
    "mutate_tar",
    "mutate_toml",
]

_NUMBERS: Final = (
    0,
    -1,
    1,
    255,
    2**16,
    -(2**31),
    2**31,
    2**53,
    2**62,
    2**63 - 1,
    -(2**63),
    2**63,
    2**64,
    2**70,
    10**30,
    10**400,
    0.0,
    -0.0,
    0.5,
    -1.5,
    1e-300,
    1e30,
    -1e30,
    1e308,
    5e-324,
)
_TEXTS: Final = (
    "",
    " ",
    "\x00",
    "\x1b[31mred\x1b[0m",
    "\x9b2J",
    "\u202eevil",
    "\u2028",
    "a" * 5000,
    "../../x",
    "/etc/passwd",
    "[/bold]",
    "%s%n",
    "nan",
    "inf",
    "\ud7ff",
    "é" * 40,
    "a\nb\r\nc",
    "joint",
    "[" * 3000,
    "-",
    "0x",
    "1e999",
    "\U0001f600",
)


def _deep(depth: int, *, table: bool) -> Any:
    value: Any = 1
    for _ in range(depth):
        value = {"a": value} if table else [value]
    return value


def hostile_value(draw: random.Random) -> Any:
    """Return a value that nobody means, of any JSON type."""
    kind = draw.randrange(8)
    if kind < 3:
        return draw.choice(_NUMBERS)
    if kind < 6:
        return draw.choice(_TEXTS)
    return (
        draw.choice((None, True, False, [], {}, [[]], [None], {"": 0}, [1] * 2000))
        if kind == 6
        else _deep(draw.choice((3, 39, 60, 400)), table=draw.random() < 0.5)
    )


def mutate_bytes(content: bytes, draw: random.Random) -> bytes:
    """Return bytes with a few flipped, cut out, doubled, overwritten or added."""
    data = bytearray(content)
    for _ in range(draw.choice((1, 1, 1, 2, 5))):
        size = len(data)
        at = draw.randrange(size + 1)
        length = min(draw.choice((1, 1, 2, 4, 8, 64, 512)), size - at)
        match draw.randrange(7):
            case 0 if at < size:
                data[at] ^= 1 << draw.randrange(8)
            case 1:
                del data[at:]
            case 2:
                del data[at : at + length]
            case 3:
                data[at:at] = data[at : at + length]
            case 4:
                data[at : at + length] = draw.randbytes(length)
            case 5:
                data[at:at] = draw.randbytes(draw.choice((1, 3, 16)))
            case 6:
                data[at : at + length] = bytes(length)
    return bytes(data)


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path]
    if isinstance(value, dict):
        for key, item in value.items():
            found += _places(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value[:50]):
            found += _places(item, (*path, index))
    return found


def mutate_json(content: Any, draw: random.Random) -> Any:
    """Return JSON content with one to three values replaced, removed or added."""
    changed = copy.deepcopy(content)
    for _ in range(draw.choice((1, 1, 2, 3))):
        path = draw.choice(_places(changed))
        if not path:
            if draw.random() < 0.1:
                return hostile_value(draw)
            continue
        holder = changed
        for step in path[:-1]:
            holder = holder[step]
        old = holder[path[-1]]
        match draw.randrange(5):
            case 0:
                del holder[path[-1]]
            case 1 if isinstance(holder, dict):
                holder[draw.choice(_TEXTS)] = hostile_value(draw)
            case 2 if isinstance(old, str) and len(old) > 20:
                holder[path[-1]] = mutate_toml(old, draw)
            case _:
                holder[path[-1]] = hostile_value(draw)
    return changed


def _toml_value(draw: random.Random) -> str:
    value = hostile_value(draw)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return str(value) if not isinstance(value, int) or abs(value) < 10**300 else "9" * 5000
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, list):
        return json.dumps(value)
    return draw.choice(
        ("inf", "nan", "2020-01-01", "0xffffffffffffffffffff", "{ a = 1 }", "1979-05-27T00:32:00Z")
    )


def mutate_toml(text: str, draw: random.Random) -> str:
    """Return a TOML text with values, keys, lines or bytes changed."""
    for _ in range(draw.choice((1, 1, 1, 2, 3))):
        lines = text.split("\n")
        at = draw.randrange(len(lines))
        match draw.randrange(10):
            case 0 | 1 | 2 | 3:
                settings = [n for n, line in enumerate(lines) if re.match(r"\s*[\w-]+\s*=", line)]
                if settings:
                    at = draw.choice(settings)
                    lines[at] = lines[at].partition("=")[0] + "= " + _toml_value(draw)
            case 4:
                del lines[at]
            case 5:
                lines.insert(draw.randrange(len(lines) + 1), lines[at])
            case 6:
                other = draw.randrange(len(lines))
                lines[at], lines[other] = lines[other], lines[at]
            case 7:
                key = draw.choice(
                    ("a", "format", "name", "above", "a" + ".a" * draw.choice((3, 300, 5000)))
                )
                lines.insert(at, f"{key} = {_toml_value(draw)}")
            case 8:
                numbers = [m.span() for m in re.finditer(r"\d+(?:\.\d+)?", lines[at])]
                if numbers:
                    begin, end = draw.choice(numbers)
                    lines[at] = (
                        lines[at][:begin] + str(draw.choice(_NUMBERS[:-8])) + lines[at][end:]
                    )
            case 9:
                flipped = mutate_bytes(text.encode("utf-8", "replace"), draw)
                lines = flipped.decode("utf-8", "replace").split("\n")
        text = "\n".join(lines)
    return text


# ---- recordings ----


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
    file.write_bytes(_json_bytes(changed))


def _json_bytes(content: Any) -> bytes:
    try:
        return json.dumps(content).encode()
    except ValueError:
        # A number of more digits than Python writes.
        return b'{"format": 1, "started_ns": ' + b"9" * 6000 + b"}"


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
        write_part(path / stream, pa.Table.from_batches([batch]), first_row=first)
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
            part.parent, table, first_row=int(part.name[5:17]), end_row=int(part.name[18:30])
        )
    except Exception:  # noqa: BLE001 - what cannot be written is no input
        return


def _inbox(path: Path, draw: random.Random) -> None:
    folder = path / "inbox"
    request = {"format": 1, "kind": "note", "text": "seen", "alert": 0, "for_s": 0.0, "who": "eva"}
    try:
        folder.mkdir(exist_ok=True)
        (folder / draw.choice(("1-1-a.json", "2-2-b.taken"))).write_bytes(
            _json_bytes(mutate_json(request, draw))
        )
    except OSError:
        return


# ---- tars ----


def mutate_tar(content: bytes, draw: random.Random) -> bytes:
    """Return a packed recording with bytes, or heads of members, changed."""
    if draw.random() < 0.4:
        return mutate_bytes(content, draw)
    made = io.BytesIO()
    with tarfile.open(fileobj=io.BytesIO(content)) as tar:
        members = tar.getmembers()
        chosen = draw.randrange(len(members))
        with tarfile.open(fileobj=made, mode="w", format=draw.choice((0, 1, 2))) as out:
            for index, member in enumerate(members):
                body = tar.extractfile(member)
                data = body.read() if body is not None else b""
                if index == chosen:
                    data = _change_member(member, data, draw)
                try:
                    out.addfile(member, io.BytesIO(data))
                except (ValueError, UnicodeError, OverflowError):
                    continue
    raw = bytearray(made.getvalue())
    if draw.random() < 0.3:
        _claim_size(raw, draw)
    return bytes(raw)


def _change_member(member: tarfile.TarInfo, data: bytes, draw: random.Random) -> bytes:
    names = (
        "../../x",
        "/x",
        "a" * 300,
        "/".join("d" * 90 for _ in range(60)),
        "é\x1b[2J",
        "sound/live.lock",
        "sound/inbox/1.json",
        "",
        ".",
        "sound/.hidden",
        member.name + "/x",
    )
    match draw.randrange(6):
        case 0:
            member.name = draw.choice(names)
        case 1:
            member.type = draw.choice(
                (b"0", b"1", b"2", b"3", b"5", b"6", b"7", b"S", b"L", b"x", b"g", b"z")
            )
            member.linkname = draw.choice(("/etc/passwd", "../x", ""))
        case 2:
            member.mtime = draw.choice((-1, 2**40, 2**62, 1.5))
        case 3:
            member.pax_headers = {
                draw.choice(
                    ("size", "path", "GNU.sparse.size", "mtime", "hdrcharset")
                ): draw.choice(("9" * 30, "-1", "x", "\x1b[2J", "1e400"))
            }
        case 4:
            data = mutate_bytes(data, draw)
            member.size = len(data)
        case 5:
            member.mode = draw.choice((0, 0o7777))
    return data


def _claim_size(raw: bytearray, draw: random.Random) -> None:
    """Let a head claim another size, in octal or base 256, with a checksum that fits."""
    at = 512 * draw.randrange(max(len(raw) // 512, 1))
    size = draw.choice((2**62, 2**63, 2**33, 0, 512, 10**6))
    raw[at + 124 : at + 136] = b"\x80" + size.to_bytes(11, "big")
    if draw.random() < 0.4:
        raw[at + 156 : at + 157] = draw.choice((b"x", b"g", b"L", b"K", b"S"))
    raw[at + 148 : at + 156] = b" " * 8
    raw[at + 148 : at + 156] = f"{sum(raw[at : at + 512]):06o}\0 ".encode()
