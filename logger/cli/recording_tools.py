"""Commands on a recording folder as a whole: `dutytrace seal`, `cut` and `pack`."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, BeginTime, EndTime, Recording, RecordingPath
from logger.cli.terminal import Line, say, show, show_progress, stop_on_signals

if TYPE_CHECKING:
    from logger.store.tools.cut import CutResult

__all__ = ["cut_recording", "pack_recording", "seal_recording"]


def seal_recording(recording: Recording) -> None:
    """Turn what a crash left into finished parts."""
    from logger.store.layout.manifest import read_manifest
    from logger.store.repair.recovery import seal

    read_manifest(recording)
    say(f"{recording}: {'sealed' if seal(recording) else 'nothing was left to seal'}")


def cut_recording(
    recording: Recording,
    begin: BeginTime = None,
    end: EndTime = None,
    out: Annotated[
        Path | None,
        RecordingPath().option(help="The new recording folder; default next to the old one."),
    ] = None,
    name: Annotated[str, typer.Option(help="What the new recording is called.")] = "",
    as_json: AsJson = False,
) -> None:
    """Cut a span out of a recording, live or finished, as a recording of its own."""
    from logger.store.layout.manifest import read_manifest
    from logger.store.tools.cut import copy_span

    start_ns = read_manifest(recording).started_ns
    with show_progress(f"Cutting {recording.name}", 1.0) as at:
        made = copy_span(
            recording,
            out=out,
            start_ns=begin.since_epoch_ns(start_ns) if begin else None,
            end_ns=end.since_epoch_ns(start_ns) if end else None,
            name=name,
            progress=at,
            stop=stop_on_signals(),
        )
    show(made.to_json(), _cut_lines(made), as_json=as_json)
    if made.missing:
        raise typer.Exit(1)


def pack_recording(
    recording: Recording,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The new file; default here, by its name.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Pack a finished recording as one file, to send."""
    from logger.store.tools.pack import packed_file_name, write_tar

    file = out or Path(packed_file_name(recording))
    with show_progress(f"Packing {recording.name}", 1.0) as at:
        size = write_tar(recording, file, progress=at, stop=stop_on_signals())
    show(
        {"file": str(file), "bytes": size},
        [f"Packed {recording} into {file}, {size / 1e6:.1f} MB"],
        as_json=as_json,
    )


def _cut_lines(made: "CutResult") -> Iterator[Line]:
    from logger.store.layout.manifest import iso_utc

    yield f"Cut out {iso_utc(made.start_ns)} to {iso_utc(made.end_ns)} into {made.path}"
    for joint, rows in made.readings.items():
        yield f"  {joint}: {rows} readings"
    yield f"  {made.frames} frames; {made.open_alerts} alerts active where it begins"
    for sentence in made.missing:
        yield f"  missing: {sentence}"
