"""`dutytrace clock`: how far the clock of a joined instrument is off; moved on request."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, Duration, JointName, Recording
from logger.cli.terminal import Line, show, show_progress, stop_on_signals
from logger.errors import InputError
from replay.instruments.instrument_mode import InstrumentMode

if TYPE_CHECKING:
    from pathlib import Path

    from replay.instruments.read_clock import ClockProposal

__all__ = ["compare_clock"]


def compare_clock(
    recording: Recording,
    sensor: Annotated[str, typer.Argument(metavar="SENSOR", help="A sensor that was joined.")],
    joint: JointName = None,
    channel: Annotated[
        str | None, typer.Option(help="The joint's channel; default the one that both have.")
    ] = None,
    sensor_channel: Annotated[
        str | None, typer.Option(help="The sensor's channel that is compared with it.")
    ] = None,
    within: Annotated[
        float, Duration().option("--within", help="How far it can be off", default="60s")
    ] = 60.0,
    reads: Annotated[
        InstrumentMode | None,
        typer.Option(help="Whether it samples or takes means of a period, where that is known."),
    ] = None,
    apply: Annotated[
        bool, typer.Option("--apply", help="Move its times so; kept with where it comes from.")
    ] = False,
    undo: Annotated[
        bool, typer.Option("--undo", help="Give it the times that it came with.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Compare the clock of a joined instrument with the recording's, from what both saw."""
    from replay.heat.options import chosen_joint
    from replay.instruments.faults import ClockFault, ClockFaultKind
    from replay.instruments.read_clock import read_clock
    from replay.recording import Recording as Opened

    if undo:
        if apply:
            raise InputError("--undo: found --apply beside it, expected one of the two.")
        _undo(recording, sensor, as_json=as_json)
        return
    opened = Opened.open(recording)
    with show_progress(f"Comparing {sensor}", 1.0) as at:
        proposal = read_clock(
            opened,
            sensor,
            joint=chosen_joint([opened], joint),
            channel=channel,
            sensor_channel=sensor_channel,
            within_s=within,
            mode=reads,
            report_progress=at,
        )
    if apply:
        rivals = proposal.estimate.rivals_s
        if rivals:
            offsets = sorted([proposal.estimate.offset_s.value, *rivals])
            raise ClockFault(
                ClockFaultKind.NOT_ONE_OFFSET,
                where=opened.name,
                offsets=", ".join(f"{one:+.2f} s" for one in offsets),
            )
        _apply(recording, proposal)
    show(
        {**proposal.to_json(), "applied": apply},
        _clock_lines(recording, proposal, applied=apply),
        as_json=as_json,
    )


def _apply(recording: "Path", proposal: "ClockProposal") -> None:
    from logger.store.repair.post_request import submit_request
    from logger.store.tools.sensor_clock import correct_sensor_clock
    from replay.instruments.words import moved_sentence

    correct_sensor_clock(recording, proposal.sensor, proposal.clock, stop=stop_on_signals())
    submit_request(recording, kind="note", text=moved_sentence(proposal))


def _undo(recording: "Path", sensor: str, *, as_json: bool) -> None:
    from logger.store.repair.post_request import submit_request
    from logger.store.tools.sensor_clock import restore_sensor_clock

    done = restore_sensor_clock(recording, sensor, stop=stop_on_signals())
    text = f"The times of {sensor} are as they came again: the correction of its clock is undone."
    submit_request(recording, kind="note", text=text)
    show({"sensor": sensor, "undone": True, **done.to_json()}, [text], as_json=as_json)


def _clock_lines(recording: "Path", proposal: "ClockProposal", *, applied: bool) -> Iterator[Line]:
    from replay.instruments.words import clock_sentences

    yield from clock_sentences(proposal)
    if applied:
        yield "Moved. --undo gives it the times that it came with."
    elif proposal.in_force is not None:
        now_s = proposal.in_force.offset_ns * 1e-9
        yield f"In force: {now_s:+.3f} s. --apply puts the new one in its place, --undo none."
    else:
        yield f"Nothing was moved: dutytrace clock {recording} {proposal.sensor} --apply does it."
