"""Whose a part is: recording, stream and rows, stated in its footer and compared when it is read.

    key "dutytrace part" in the footer, value a JSON object:
        {"recording": 32 hexadecimal digits, "stream": "status/joint=elbow", "rows": [0, 12345]}

A part's name says only its rows. Without this, parts of equal rows of two joints that were
exchanged would be read under each other's name. The footer's checksum covers it. Older recorders
stated nothing; of their parts the columns alone can tell that they are of another stream.
"""

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final, Self

import pyarrow.parquet as pq

from logger.joint.channels import is_channel
from logger.store.layout.cycle_schema import (
    CYCLE_HEAD_SCHEMA,
    CYCLE_RULE_SCHEMA,
    PROGRESS_SCHEMA,
)
from logger.store.layout.files import joined_stream
from logger.store.layout.schema import (
    BUS_SCHEMA,
    COURSE_SCHEMA,
    DERIVED_SCHEMA,
    EVENT_SCHEMA,
    FORECAST_SCHEMA,
    FRAME_SCHEMA,
    HEALTH_SCHEMA,
)

__all__ = ["IDENTITY_KEY", "FooterCheck", "MisplacedPartError", "PartIdentity", "PartOwner"]

IDENTITY_KEY: Final = b"dutytrace part"
FooterCheck = Callable[[pq.FileMetaData], str]
"""Says what is wrong about a part by its footer, "" for nothing."""
_MAX_BYTES: Final = 2000
"""More than the longest name of a stream takes."""


@dataclass(frozen=True, slots=True)
class PartIdentity:
    """What a part states in its footer."""

    recording_id: str
    """Of recording.json; "" in the parts of an older recorder's recording, which has none."""
    stream: str
    first_row: int
    end_row: int

    def to_bytes(self) -> bytes:
        """Return it as in the footer: of one length for all recordings that have an id."""
        return json.dumps(self.to_json(), separators=(",", ":"), ensure_ascii=False).encode()

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "recording": self.recording_id,
            "stream": self.stream,
            "rows": [self.first_row, self.end_row],
        }

    @classmethod
    def parse(cls, value: bytes) -> Self:
        """Return what a footer states; raises ValueError for anything else."""
        if len(value) > _MAX_BYTES:
            raise _unstated_error()
        try:
            stated = json.loads(value)
            recording_id, stream = stated["recording"], stated["stream"]
            first_row, end_row = stated["rows"]
        except (TypeError, KeyError, ValueError, RecursionError):
            raise _unstated_error() from None
        texts = isinstance(recording_id, str) and isinstance(stream, str)
        # They come into sentences, and a file may hold anything.
        if not texts or not f"{recording_id}{stream}".isprintable():
            raise _unstated_error()
        if type(first_row) is not int or type(end_row) is not int:
            raise _unstated_error()
        return cls(recording_id, stream, first_row, end_row)

    def describe(self, *, with_recording: bool) -> str:
        """Return it in words."""
        rows = f"rows {self.first_row} to {self.end_row - 1} of {self.stream}"
        if self.end_row == self.first_row:
            rows = f"the end of {self.stream} at row {self.end_row}"
        where = f" in recording {self.recording_id or 'without an id'}" if with_recording else ""
        return f"{rows}{where}"


def _unstated_error() -> ValueError:
    return ValueError("its footer does not say whose part it is")


class MisplacedPartError(ValueError):
    """A part that is whole, but not of this place: it belongs to other rows."""

    def __init__(self, expected: PartIdentity, found: PartIdentity | None, why: str = "") -> None:
        """`found`: None where the part does not say whose it is; `why` says what is found then."""
        self.expected, self.found = expected, found
        alien = found is not None and found.recording_id != expected.recording_id
        stated = why if found is None else f"it holds {found.describe(with_recording=alien)}"
        super().__init__(
            f"it is not of this place: {stated}, expected {expected.describe(with_recording=alien)}"
        )


@dataclass(frozen=True, slots=True)
class PartOwner:
    """The recording and the stream that parts have to be of."""

    recording_id: str
    """"" for a recording of an older recorder, whose parts need not say whose they are."""
    stream: str
    check: FooterCheck | None = field(default=None, repr=False, compare=False)
    """Says what is wrong about the columns of a part; None: they are not looked at."""

    def verify_columns(self, footer: pq.FileMetaData) -> None:
        """Raise ValueError where the columns of a part are not those of its stream."""
        if self.check is not None and (fault := self.check(footer)):
            raise ValueError(fault)

    def part(self, first_row: int, end_row: int) -> PartIdentity:
        """Return what a part of these rows states."""
        return PartIdentity(self.recording_id, self.stream, first_row, end_row)

    def verify_stated(
        self, value: bytes | None, columns: Iterable[str], *, first_row: int, end_row: int
    ) -> None:
        """Compare what a part states with its place.

        Parameters
        ----------
        value
            Under `IDENTITY_KEY` in its footer; None: nothing.
        columns
            Of the part.

        Raises
        ------
        MisplacedPartError
            It is of another recording, another stream or other rows.
        ValueError
            It states nothing that can be read.
        """
        expected = self.part(first_row, end_row)
        if value is not None:
            found = PartIdentity.parse(value)
            if found != expected:
                raise MisplacedPartError(expected, found)
        elif self.recording_id:
            raise MisplacedPartError(expected, None, "it does not say whose it is")
        elif not _may_be_of(self.stream, columns := tuple(columns)):
            raise MisplacedPartError(expected, None, f"it has the columns {', '.join(columns[:8])}")


_STREAM_SCHEMAS: Final = {
    "frames": FRAME_SCHEMA,
    "events": EVENT_SCHEMA,
    "health": HEALTH_SCHEMA,
    "buses": BUS_SCHEMA,
    "derived": DERIVED_SCHEMA,
    "forecast": FORECAST_SCHEMA,
    "course": COURSE_SCHEMA,
    "progress": PROGRESS_SCHEMA,
    "cycles": CYCLE_HEAD_SCHEMA,
    "cycle_rules": CYCLE_RULE_SCHEMA,
}


def _may_be_of(stream: str, columns: Iterable[str]) -> bool:
    """Return whether a part of an older recorder with these columns may be of a stream.

    Older recorders knew fewer columns, but none that is unknown today.
    """
    kind = stream.removeprefix(joined_stream("")).partition("/")[0]
    names = set(columns)
    if kind == "overview":
        return all("." in name for name in names - {"time"})
    if kind == "status":
        return "position_segment" in names and all(
            is_channel(name) for name in names - {"time", "position_segment"}
        )
    schema = _STREAM_SCHEMAS[kind]
    # The raw frames of recorders that knew one bus have no column `bus`.
    needed = {field.name for field in schema if not field.nullable} - {"bus"}
    # Of a cycle any figures may follow.
    return needed <= names and (kind == "cycles" or names <= set(schema.names))
