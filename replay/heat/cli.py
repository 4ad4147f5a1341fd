"""`dutytrace heat`: a joint's heat fitted to recordings, in words and tables."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson
from logger.cli.terminal import Line, Table, say, show
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.findings.finding import Finding
    from replay.heat.fit import AmbientChoice
    from replay.heat.result import HeatResult
    from replay.recording import Recording as Opened

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
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the result in the last of the recordings.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Fit a joint's heat to recordings: time constants, rises, what it bears for how long."""
    from replay.heat.evaluate import evaluate_heat
    from replay.heat.options import ambient_choice, chosen_joint, temperature_degC
    from replay.recording import Recording as Opened

    opened = [Opened.open(one) for one in recordings]
    chosen = chosen_joint(opened, joint)
    stated = ambient_choice(ambient, opened[0], chosen)
    result = evaluate_heat(
        opened,
        chosen,
        ambient=stated,
        limit_degC=None if hottest is None else temperature_degC(hottest, "--hottest"),
    )
    kept = _keep(result, opened, stated) if keep else None
    content = {**result.to_json(), "kept": None if kept is None else kept.id}
    show(content, _heat_lines(result), as_json=as_json)
    if keep and not as_json:
        say(_kept_text(kept, opened))


def _newest(recordings: "list[Opened]") -> "Opened":
    return max(recordings, key=lambda one: one.start_ns)


def _kept_text(kept: "Finding | None", recordings: "list[Opened]") -> str:
    if kept is None:
        return "Nothing was kept: no quantity is known."
    which = f", in place of {kept.replaces[:8]}" if kept.replaces else ""
    return f"Kept in {_newest(recordings).path} as {kept.id[:8]}{which}."


def _keep(
    result: "HeatResult", recordings: "list[Opened]", ambient: "AmbientChoice"
) -> "Finding | None":
    """Keep a result in the newest of its recordings; None where no quantity is known."""
    from logger.store.repair.keep_finding import keep_finding
    from replay.heat.finding import heat_finding

    newest = _newest(recordings)
    if not isinstance(newest.path, Path):
        raise InputError(
            where="--keep", found=str(newest.path), expected="a recording in a folder of its own"
        )
    finding = heat_finding(result, recordings, ambient)
    return None if finding is None else keep_finding(newest.path, finding)


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
