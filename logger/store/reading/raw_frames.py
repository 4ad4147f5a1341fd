"""The raw frames of a finished recording, part by part: the source of a redecode.

Reads one row group at a time, so memory does not grow with the recording. Only sealed parts are
read: rows in a journal are a recorder's, or `dutytrace seal` makes parts of them first.
"""

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.layout.lock import check_not_written
from logger.store.layout.schema import FRAME_SCHEMA, conform, frames_from_table
from logger.store.parts.part import Part, list_parts
from logger.store.reading.reader import RecordingReader
from logger.store.writing.journal import journal_files

__all__ = ["frame_parts", "frames_of_part", "has_current_columns", "open_finished"]


def open_finished(path: Path) -> RecordingReader:
    """Open a recording that is not being written and has nothing left to seal.

    Raises
    ------
    InputError
        It is no recording, is being written, or was not closed.
    """
    reader = RecordingReader(path)
    check_not_written(path)
    if reader.manifest.ended_ns is None or journal_files(path / JOURNAL_FOLDER):
        raise InputError(
            f"{path}: its recorder did not close this recording. Run `dutytrace seal {path}` first."
        )
    return reader


def frame_parts(path: Path) -> list[Part]:
    """Return the parts of the raw frames of a recording, in order.

    Raises
    ------
    InputError
        One of them is damaged.
    """
    parts = list_parts(path / "frames")
    for part in parts:
        if part.verify_error:
            raise InputError(
                f"{part.path}: this part of the raw frames is damaged ({part.verify_error}). Take "
                "it out of the recording; the rest can then be decoded again."
            )
    return parts


def has_current_columns(part: Part) -> bool:
    """Return whether a part has the columns of the present frame schema."""
    return bool(part.footer.schema.to_arrow_schema().equals(FRAME_SCHEMA))


def frames_of_part(part: Part) -> Iterator[FrameBatch]:
    """Yield the frames of a part, a row group at a time.

    Raises
    ------
    InputError
        Rows of it are damaged.
    """
    try:
        with pq.ParquetFile(part.path, metadata=part.footer) as file:
            for group in range(file.num_row_groups):
                yield frames_from_table(conform(file.read_row_group(group), FRAME_SCHEMA))
    except (OSError, pa.ArrowInvalid) as fault:
        raise InputError(
            f"{part.path}: this part of the raw frames is damaged ({fault}). Take it out of the "
            "recording; the rest can then be decoded again."
        ) from None
