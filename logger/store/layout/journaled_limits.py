"""Limits that were put into force, as rows of the journal until recording.json has them.

recording.json is replaced and synced, which takes as long as the disk does. The writer's thread
does not wait for it: what it writes stands in the journal, before the event that tells of it, and
recording.json follows. So whoever reads a recording adds what its journals hold; after a crash
`seal` puts it into recording.json. A row has the number of its revision in `Manifest.limits_taken`,
so that none is added twice. Pure.
"""

import contextlib
from collections.abc import Mapping
from typing import Final

import pyarrow as pa
from pydantic import ValidationError

from logger.store.layout.manifest import LimitsRevision, Manifest
from logger.store.layout.schema import TIME_TYPE

__all__ = ["LIMITS_STREAM", "add_revisions", "limits_rows", "revisions_in"]

LIMITS_STREAM: Final = "limits"
"""Name of the stream in a journal; it never becomes parts."""
_LIMITS_SCHEMA: Final = pa.schema(
    [pa.field("time", TIME_TYPE, nullable=False), pa.field("text", pa.string(), nullable=False)]
)
"""From when on limits were in force, and their file verbatim."""


def limits_rows(revision: LimitsRevision) -> pa.RecordBatch:
    """Return a revision as one row of the stream."""
    return pa.RecordBatch.from_pylist(
        [{"time": revision.from_ns, "text": revision.text}], schema=_LIMITS_SCHEMA
    )


def revisions_in(first_row: int, batch: pa.RecordBatch) -> dict[int, LimitsRevision]:
    """Return the revisions in rows of the stream, by number; none of rows with other columns."""
    if not batch.schema.equals(_LIMITS_SCHEMA):
        return {}
    times, texts = batch.column(0).cast(pa.int64()).to_pylist(), batch.column(1).to_pylist()
    revisions = {}
    for index, (from_ns, text) in enumerate(zip(times, texts, strict=True)):
        # Such as no recorder writes; a checksum says nothing about who wrote them.
        with contextlib.suppress(ValidationError):
            revisions[first_row + index] = LimitsRevision(from_ns=from_ns, text=text)
    return revisions


def add_revisions(manifest: Manifest, revisions: Mapping[int, LimitsRevision]) -> Manifest:
    """Return the manifest with those of `revisions`, by number, that it does not have yet."""
    taken = list(manifest.limits_taken)
    while len(taken) in revisions:
        taken.append(revisions[len(taken)])
    return manifest.model_copy(update={"limits_taken": tuple(taken)})
