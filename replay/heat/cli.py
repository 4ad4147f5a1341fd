"""`dutytrace heat`: a joint's heat fitted to recordings, in words and tables."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson
from logger.cli.terminal import Line, Table, show

if TYPE_CHECKING:
    from replay.heat.result import HeatResult

__all__ = ["fit_heat"]


def fit_heat(
    recordings: Annotated[
        list[Path],
        typer.Argument(metavar="REC...", help="Recordings of one joint that follow each other."),
    ],
    joint: Annotated[
        str | None, typer.Option(help="The joint; needed where there are several.")
    ] = None,
    ambient: Annotated[
        str | None,
        typer.Option(
            metavar="AMBIENT",
            help="A temperature such as 23degC, a channel, or SENSOR.CHANNEL; default the joint's "
            "own channel, if it has one.",
        ),
    ] = None,
    hottest: Annotated[
        str | None,
        typer.Option(
            metavar="TEMPERATURE",
            help="What the winding (or the housing, where no winding is recorded) must not pass, "
            "such as 80degC; without it nothing is said of what the joint bears.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Fit a joint's heat to recordings: time constants, rises, what it bears for how long."""
    from replay.heat.evaluate import evaluate_heat
    from replay.heat.options import ambient_choice, chosen_joint, temperature_degC
    from replay.recording import Recording as Opened

    opened = [Opened.open(one) for one in recordings]
    chosen = chosen_joint(opened, joint)
    result = evaluate_heat(
        opened,
        chosen,
        ambient=ambient_choice(ambient, opened[0], chosen),
        limit_degC=None if hottest is None else temperature_degC(hottest, "--hottest"),
    )
    show(result.to_json(), _heat_lines(result), as_json=as_json)


def _heat_lines(result: "HeatResult") -> Iterator[Line]:
    from replay.heat import words
    from replay.heat.sentence import heat_sentence

    yield heat_sentence(result)
    yield Table(("of its heat", "value (95 %)", "interval by"), words.quantity_rows(result))
    before = "without load at" if result.ambient_is_idle else "ambient"
    unit = "N·m" if result.load_unit == "N.m" else result.load_unit
    yield Table(
        (before, f"for ever, rotating, {unit}", f"for ever, holding, {unit}"),
        words.for_ever_rows(result),
    )
    if result.held_at_degC is not None:
        at = f"{before} {result.held_at_degC:.0f} °C"
        yield Table(
            (f"load, {at}", "held from cold", "held from warm"), words.held_for_rows(result)
        )
    yield from words.note_lines(result)
