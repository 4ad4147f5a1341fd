"""Parts of a recording: those of one stream, as an older recorder left them, at a known moment."""

from pathlib import Path
from typing import Final

import pyarrow.parquet as pq

from logger.store.layout.manifest import read_manifest, write_manifest
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part, list_parts
from logger.store.parts.part_writer import write_part
from logger.store.writing.flush_policy import FlushPolicy
from logger.store.writing.journal_sealing import seal_journals
from logger.store.writing.live_writer import RecordingWriter

__all__ = [
    "SEALED_HERE",
    "forget_ids",
    "owner_of",
    "parts_of",
    "tick_into_parts",
    "wait_for_parts",
]

SEALED_HERE: Final = FlushPolicy(seal=seal_journals)
"""Parts are made by this process: many of them in little time, or with something replaced."""


def wait_for_parts(writer: RecordingWriter) -> None:
    """Wait until every journal that was rolled is in parts; raises what the disk raised."""
    writer._disk.wait()
    writer._parts.wait()


def tick_into_parts(writer: RecordingWriter, now_s: float) -> None:
    """Tick when the next journal is there, so that rows whose time has come become parts."""
    writer._disk.wait()
    writer.tick(now_s)
    wait_for_parts(writer)


def owner_of(recording: Path, stream: str) -> PartOwner:
    """Return whose the parts of a stream are."""
    return PartOwner(read_manifest(recording).recording_id, stream)


def parts_of(recording: Path, stream: str) -> list[Part]:
    """Return the parts of a stream, each compared with its place."""
    return list_parts(recording / stream, owner_of(recording, stream))


def forget_ids(recording: Path) -> None:
    """Make a recording what an older recorder left: without an id, its parts without an owner."""
    write_manifest(recording, read_manifest(recording).model_copy(update={"recording_id": ""}))
    for folder in {path.parent for path in recording.rglob("part-*.parquet")}:
        for part in list_parts(folder):
            table = pq.read_table(part.path, partitioning=None)
            write_part(folder, table, first_row=part.first_row, end_row=part.end_row)
