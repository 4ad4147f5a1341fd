"""The raw frames of a finished recording, part by part: the source of a redecode.

Reads one row group at a time, so memory does not grow with the recording. Only sealed parts are
read: rows in a journal are a recorder's, or `dutytrace seal` makes parts of them first.
"""

from collections.abc import Iterator
from pathlib import Path

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.store.layout.files import JOURNAL_FOLDER
from logger.store.layout.lock import check_not_written
from logger.store.layout.manifest import read_manifest
from logger.store.layout.row_check import footer_check
from logger.store.layout.schema import FRAME_SCHEMA, conform, frames_from_table
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part, list_parts
from logger.store.reading.reader import RecordingReader
from logger.store.writing.journal import journal_files

__all__ = ["frame_parts", "frames_of_part", "is_copyable", "open_finished"]


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
    columns_fit = footer_check(FRAME_SCHEMA)
    owner = PartOwner(read_manifest(path).recording_id, "frames", columns_fit)
    parts = list_parts(path / "frames", owner)
    for part in parts:
        if part.verify_error:
            raise InputError(
                f"{part.path}: this part of the raw frames is damaged ({part.verify_error}). Take "
                "it out of the recording; the rest can then be decoded again."
            )
    return parts


def is_copyable(part: Part) -> bool:
    """Return whether `copy_part` can take over a part of the raw frames as it is.

    It has the columns of the present frame schema, and says whose it is in full: in the recordings
    of older recorders it does not.
    """
    has_owner = part.owner is not None and part.owner.recording_id != ""
    return has_owner and bool(part.footer.schema.to_arrow_schema().equals(FRAME_SCHEMA))


def frames_of_part(part: Part) -> Iterator[FrameBatch]:
    """Yield the frames of a part, a row group at a time.

    Raises
    ------
    InputError
        Rows of it are damaged.
    """
    for group in range(len(part.spans)):
        # Each column is compared with its checksum: what is decoded from it gets sums of its own.
        yield frames_from_table(conform(part.read_group(group), FRAME_SCHEMA))
