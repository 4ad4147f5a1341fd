"""`dutytrace report`: what was tested, what holds and what does not, as one file for others."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, RecordingPath
from logger.cli.terminal import show, show_progress
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.store.layout.remote import Location

__all__ = ["write_report"]

_SUFFIXES = (".html", ".htm")


def write_report(
    recordings: Annotated[
        list[str],
        typer.Argument(
            metavar="REC...", help="Recording folders, or addresses of finished ones (s3://...)."
        ),
    ],
    joint: Annotated[
        list[str] | None,
        typer.Option(help="Only this joint: its serial, name or label; several times."),
    ] = None,
    out: Annotated[
        Path | None,
        RecordingPath().option(
            "--to",
            "--out",
            metavar="FILE",
            help="The new file, .html; default the first recording's name and -report.html.",
        ),
    ] = None,
    pdf: Annotated[
        bool,
        typer.Option("--pdf", help="Print it as PDF beside it, by the installed Chromium."),
    ] = False,
    paper: Annotated[str, typer.Option(metavar="a4|letter", help="What it is printed on.")] = "a4",
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
    as_json: AsJson = False,
) -> None:
    """Write a report as one HTML file that opens offline: verdicts, traces, limits, load."""
    from logger.store.layout.files import write_atomically
    from logger.store.layout.remote import location_of
    from replay.report.document import report_html
    from replay.report.evidence import read_evidence
    from replay.report.pdf import print_to_pdf
    from replay.report.style import Paper

    known = {one.value: one for one in Paper}
    if paper.lower() not in known:
        raise InputError(where="--paper", found=repr(paper), expected="a4 or letter")
    locations = [location_of(one) for one in recordings]
    file = _report_file(out, locations)
    printed = file.with_suffix(".pdf")
    for one in (file, *((printed,) if pdf else ())):
        if one.exists() and not force:
            raise InputError(f"{one}: it is there already; --force replaces it.")
    with show_progress("Reading what was recorded", 1.0) as at:
        evidence = read_evidence(locations, joint or (), report_progress=at)
    text = report_html(evidence, known[paper.lower()]).encode()
    write_atomically(file, lambda opened: opened.write(text))
    if pdf:
        print_to_pdf(file, printed)
    show(
        {"file": str(file), "size": len(text), "pdf": str(printed) if pdf else None},
        [f"Wrote {file} ({len(text) / 1e6:.1f} MB)", *([f"Wrote {printed}"] if pdf else [])],
        as_json=as_json,
    )


def _report_file(out: Path | None, locations: "list[Location]") -> Path:
    file = out or Path(f"{locations[0].name or 'recording'}-report.html")
    if file.suffix.lower() not in _SUFFIXES:
        raise InputError(where="--to", found=str(file), expected="a file that ends in .html")
    if not file.parent.is_dir():
        raise InputError(f"{file.parent}: there is no such folder.")
    return file
