"""`dutytrace duty`: the load of a joint as it was, in words and tables."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, BeginTime, EndTime, JointName, Recording
from logger.cli.terminal import Line, Table, show, show_progress
from logger.errors import InputError

if TYPE_CHECKING:
    from replay.duty.result import DutyResult

__all__ = ["tell_duty"]


def tell_duty(
    recording: Recording,
    joint: JointName = None,
    begin: BeginTime = None,
    end: EndTime = None,
    hottest: Annotated[
        str | None,
        typer.Option(
            metavar="TEMPERATURE",
            help="What the winding (or the housing) must not pass, such as 80degC: then the load "
            "is held against what the fitted joint holds for as long.",
        ),
    ] = None,
    ambient: Annotated[
        list[str] | None,
        typer.Option(
            metavar="AMBIENT",
            help="For that fit: a temperature such as 23degC, a channel, SENSOR.CHANNEL, or "
            "readings with their times, such as '09:00 22.5degC'.",
        ),
    ] = None,
    fitted_to: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="REC",
            help="Other recordings of the joint, to fit it to in place of this one (repeat it).",
        ),
    ] = None,
    slope: Annotated[
        float | None,
        typer.Option(min=1.0, max=30.0, help="m of N = range^-m of the load; default 5, assumed."),
    ] = None,
    temperature_slope: Annotated[
        float | None,
        typer.Option(min=1.0, max=30.0, help="The same of temperatures; default 2, assumed."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell a joint's load: RMS over every window against what it holds, cycles, duty type, work."""
    from replay.duty.evaluate import DutySlopes, evaluate_duty
    from replay.duty.model import duty_model
    from replay.heat.options import chosen_joint
    from replay.heat.typed_ambient import temperature_degC
    from replay.recording import Recording as Opened

    opened = Opened.open(recording)
    chosen = chosen_joint([opened], joint)
    others = [Opened.open(one) for one in fitted_to or ()]
    if others:
        if hottest is None:
            raise InputError(where="--fitted-to", found="no --hottest", expected="both: see --help")
        chosen_joint(others, chosen)
    given = [("load", slope), ("temperature", temperature_slope)]
    stated = {name: value for name, value in given if value is not None}
    with show_progress(f"Reading {recording.name}", 1.0) as at:
        result = evaluate_duty(
            opened,
            chosen,
            start_ns=begin.since_epoch_ns(opened.start_ns) if begin else None,
            end_ns=end.since_epoch_ns(opened.start_ns) if end else None,
            model=duty_model(
                opened,
                chosen,
                ambient=ambient or (),
                limit_degC=None if hottest is None else temperature_degC(hottest, "--hottest"),
                fitted_to=others,
            ),
            slopes=DutySlopes(**stated) if stated else None,
            report_progress=at,
        )
    show(result.to_json(), _duty_lines(result), as_json=as_json)


def _duty_lines(result: "DutyResult") -> Iterator[Line]:
    from replay.duty import words
    from replay.duty.sentence import duty_sentence

    yield duty_sentence(result)
    head = ("window", "highest RMS", "held for as long (95 %)", "share of it", "from (UTC)")
    yield Table(head, words.window_rows(result))
    yield Table(("of its load", "value"), words.figure_rows(result))
    yield Table(("cycles by rainflow", "how many", "largest", "damage"), words.range_rows(result))
    yield from words.duty_notes(result)
