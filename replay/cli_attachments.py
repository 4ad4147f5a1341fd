"""`dutytrace attach`: photographs and documents in a recording, at the time that they show."""

import os
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, Instant, Moment, Recording
from logger.cli.terminal import Line, Table, show
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.store.reading.attachments import StoredAttachment

__all__ = ["attach_to_recording"]


def attach_to_recording(
    recording: Recording,
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="What is attached; none: list what was."),
    ] = None,
    at: Annotated[
        Moment | None,
        Instant(or_from_start=True).option(
            "--at",
            help="When that was which it shows: ISO 8601, or from the start; default when the file "
            "was written.",
        ),
    ] = None,
    name: Annotated[str | None, typer.Option(help="Its name there; default its own.")] = None,
    who: Annotated[str, typer.Option(help="Who does this; kept with it.")] = "",
    as_json: AsJson = False,
) -> None:
    """Attach a file to a recording, live or finished; without one list those that are attached."""
    from logger.store.reading.attachments import read_attachments
    from logger.store.repair.attach_file import attach_file

    if file is not None:
        attached = attach_file(
            recording, file, name=name or file.name, time_ns=_time_ns(recording, file, at), who=who
        )
        show(
            {"attached": {"id": attached.id, "name": attached.name, "sha256": attached.sha256}},
            [f"Attached {attached.name} ({attached.size} bytes) to {recording}."],
            as_json=as_json,
        )
        return
    if at is not None or name is not None:
        raise InputError("FILE: found none, expected the file that is to be attached.")
    from replay.recording import Recording as Opened

    stored = read_attachments(Opened.open(recording).path)
    show(
        {"attachments": [one.to_json() for one in stored]}, _attachment_lines(recording, stored),
        as_json=as_json,
    )  # fmt: skip


def _time_ns(recording: Path, file: Path, at: Moment | None) -> int:
    """Return when that was which a file shows; refuses what lies outside of the recording."""
    from logger.outside_text import open_regular
    from logger.store.layout.manifest import iso_utc
    from replay.recording import Recording as Opened

    opened = Opened.open(recording)
    until_ns = max(opened.end_ns, time.time_ns()) if opened.live else opened.end_ns
    try:
        # What is no file is told before its time: that one would be asked for in vain.
        with open_regular(file) as source:
            written_ns = os.fstat(source.fileno()).st_mtime_ns
    except IsADirectoryError:
        raise InputError(
            f"{file}: found a folder, expected a file; nothing was attached."
        ) from None
    except OSError as fault:
        raise InputError(f"{file}: cannot be read ({fault.strerror or fault}).") from None
    time_ns = at.since_epoch_ns(opened.start_ns) if at else written_ns
    if not opened.start_ns <= time_ns <= until_ns:
        found = f"--at: found {iso_utc(time_ns)}"
        if at is None:
            found = f"{file}: found that it was written at {iso_utc(time_ns)}"
        raise InputError(
            f"{found}, expected a time within the recording: {iso_utc(opened.start_ns)} to "
            f"{iso_utc(until_ns)}. Say with --at when that was which it shows."
        )
    return time_ns


def _attachment_lines(recording: Path, stored: "Sequence[StoredAttachment]") -> Iterator[Line]:
    from logger.store.layout.manifest import iso_utc
    from logger.store.reading.attachments import content_path

    if not stored:
        yield "No files are attached: `dutytrace attach REC FILE` attaches one."
        return
    yield Table(
        ("time (UTC)", "file", "bytes", "state", "where it lies"),
        [
            (
                iso_utc(one.attachment.time_ns)[:19].replace("T", " "),
                one.attachment.name,
                str(one.attachment.size),
                str(one.state),
                str(content_path(recording, one.attachment)),
            )
            for one in stored
        ],
    )
