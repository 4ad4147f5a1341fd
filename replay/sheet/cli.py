"""`dutytrace sheet`: the measured data sheets of a folder of recordings."""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import DEFAULT_RECORDINGS, AsJson
from logger.cli.terminal import Line, Table, say, show
from logger.errors import InputError

if TYPE_CHECKING:
    from replay.sheet.comparison import Comparison
    from replay.sheet.sheet import Sheet
    from replay.sheet.specimens import SpecimenList

__all__ = ["show_sheet"]


def show_sheet(
    joints: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[JOINT...]",
            help="Serials or names of joints; two to six are put beside each other. Without any: "
            "all of the folder.",
        ),
    ] = None,
    folder: Annotated[
        str, typer.Option(help="A folder of recordings, one recording, or an address.")
    ] = str(DEFAULT_RECORDINGS),
    as_json: AsJson = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Print the rows of the sheets as CSV.")
    ] = False,
) -> None:
    """Show measured data sheets: what is claimed, what was measured, and how sure that is."""
    from logger.store.layout.remote import location_of
    from replay.sheet.answer import csv_rows, sheet_answer
    from replay.sheet.comparison import MOST_COMPARED, compare_specimens
    from replay.sheet.sheet import make_sheet, measured_of
    from replay.sheet.specimens import find_specimens

    if len(joints or ()) > MOST_COMPARED:
        raise InputError(
            where="JOINT", found=f"{len(joints or ())} joints", expected=f"at most {MOST_COMPARED}"
        )
    listed = find_specimens(location_of(folder))
    chosen = [listed.specimen_named(name) for name in joints or ()] or list(listed.specimens)
    sheets = [make_sheet(one) for one in chosen]
    if as_csv:
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows(csv_rows(sheets))
        say(text.getvalue().rstrip("\n"))
        return
    compared = {one.key: measured_of(one) for one in chosen}
    comparison = compare_specimens(compared) if joints and len(compared) > 1 else None
    show(
        sheet_answer(listed, sheets, comparison),
        _lines(listed, sheets, comparison),
        as_json=as_json,
    )


def _lines(
    listed: "SpecimenList", sheets: "Sequence[Sheet]", comparison: "Comparison | None"
) -> Iterator[Line]:
    from replay.sheet import words

    if not sheets:
        yield "No joints: a folder of recordings was expected, named by --folder."
    for sheet in sheets:
        yield words.head_line(sheet)
        yield Table(
            ("quantity", "claimed", "measured (95 %)", "verdict", "why", "from", "over time"),
            [*words.sheet_rows(sheet)],
            indent=2,
        )
        if not sheet.rows:
            yield "  Nothing was kept of it yet: `dutytrace heat REC --keep` keeps a finding."
    if comparison is not None:
        labels = {sheet.specimen.key: sheet.specimen.key for sheet in sheets}
        yield words.comparison_line(comparison)
        yield Table(
            ("pair", "quantity", "difference", "", "note"),
            [*words.difference_rows(comparison, labels)],
            indent=2,
        )
    yield from words.sheet_note_lines(listed)
