"""Parts of a recording: those of one stream, and as an older recorder left them."""

from pathlib import Path

import pyarrow.parquet as pq

from logger.store.layout.manifest import read_manifest, write_manifest
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part, list_parts
from logger.store.parts.part_writer import write_part

__all__ = ["forget_ids", "parts_of"]


def parts_of(recording: Path, stream: str) -> list[Part]:
    """Return the parts of a stream, each compared with its place."""
    return list_parts(recording / stream, PartOwner(read_manifest(recording).recording_id, stream))


def forget_ids(recording: Path) -> None:
    """Make a recording what an older recorder left: without an id, its parts without an owner."""
    write_manifest(recording, read_manifest(recording).model_copy(update={"recording_id": ""}))
    for folder in {path.parent for path in recording.rglob("part-*.parquet")}:
        for part in list_parts(folder):
            table = pq.read_table(part.path, partitioning=None)
            write_part(folder, table, first_row=part.first_row, end_row=part.end_row)
