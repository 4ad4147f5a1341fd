"""`dutytrace heat`: a joint's heat fitted to recordings, in words and tables."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, FollowingRecordings, Instant, JointName
from logger.cli.terminal import Line, Table, say, show
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.findings.finding import Finding
    from replay.heat.fit import AmbientChoice, HeatFit
    from replay.heat.planning.motion import Motion
    from replay.heat.planning.planned_heat import PlannedHeat
    from replay.heat.result import HeatResult
    from replay.recording import Recording

__all__ = ["fit_heat"]


def fit_heat(
    recordings: FollowingRecordings,
    joint: JointName = None,
    ambient: Annotated[
        list[str] | None,
        typer.Option(
            metavar="AMBIENT",
            help="A temperature such as 23degC, a channel, or SENSOR.CHANNEL; or readings with "
            "their times, such as '09:00 22.5degC', one for each --ambient; default the joint's "
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
    write_bench: Annotated[
        Path | None,
        typer.Option(
            metavar="BENCH",
            help="Put the fitted model into this bench file, in place: the recorder then estimates "
            "the joint's temperatures and forecasts them.",
        ),
    ] = None,
    motion: Annotated[
        str | None,
        typer.Option(
            metavar="MOTION",
            help="A planned motion: a CSV file with time_s, torque_Nm or current_A, and "
            "speed_rad_s if known; or a span of the first recording such as 10min..25min.",
        ),
    ] = None,
    repeat: Annotated[
        int | None, typer.Option(min=1, help="How often the motion is done; default for ever.")
    ] = None,
    factor: Annotated[
        float, typer.Option(min=0.01, max=100.0, help="On the load of the motion.")
    ] = 1.0,
    stretch: Annotated[
        float, typer.Option(min=0.01, max=100.0, help="On the time of the motion.")
    ] = 1.0,
    room: Annotated[
        str | None,
        typer.Option(
            metavar="TEMPERATURE",
            help="The ambient of the motion; default 40degC, or as it was where none is recorded.",
        ),
    ] = None,
    limits: Annotated[
        bool,
        typer.Option(
            "--limits",
            help="Print limits that protect the joint as a limits file, with what they would have "
            "done on the recordings.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Fit a joint's heat to recordings: what it bears for how long; a planned motion on it."""
    from replay.heat.evaluate import REFERENCE_DEGC, answer_heat
    from replay.heat.fit import fit_heat as fitted
    from replay.heat.known_peaks import known_peaks
    from replay.heat.options import chosen_joint
    from replay.heat.planning.planned_heat import plan_heat
    from replay.heat.typed_ambient import ambient_choice, temperature_degC
    from replay.recording import Recording as Opened

    opened = [Opened.open(one) for one in recordings]
    chosen = chosen_joint(opened, joint)
    limit_degC = None if hottest is None else temperature_degC(hottest, "--hottest")  # noqa: N806
    stated_room = None if room is None else temperature_degC(room, "--room")
    for option, is_given in (("--motion", motion is not None), ("--limits", limits)):
        if is_given and limit_degC is None:
            raise InputError(where=option, found="no --hottest", expected="both: see --help")
    # What cannot be read is said before the fit, which takes its time.
    is_span = motion is not None and _is_span(motion)
    planned_motion = None if motion is None or is_span else _file_motion(motion)
    stated_ambient = ambient_choice(ambient or (), opened, chosen)
    fit = fitted(opened, chosen, ambient=stated_ambient)
    if write_bench is not None:
        from replay.heat.bench_model import thermal_settings, write_bench_model

        write_bench_model(write_bench, chosen, thermal_settings(fit, datetime.now(UTC).date()))
    if motion is not None and is_span:
        planned_motion = _span_motion(motion, opened[0], chosen, fit.read.load)
    if limits and limit_degC is not None:
        _show_limits(fit, opened, limit_degC, as_json=as_json)
        return
    result = answer_heat(fit, limit_degC=limit_degC, peaks=known_peaks(fit, opened))
    planned = None
    if planned_motion is not None and limit_degC is not None:
        own_degC = REFERENCE_DEGC if fit.has_room else fit.idle_degC  # noqa: N806
        planned = plan_heat(
            fit,
            planned_motion,
            limit_degC=limit_degC,
            ambient_degC=own_degC if stated_room is None else stated_room,
            passes=repeat,
            factor=factor,
            stretch=stretch,
        )
    kept = _keep(result, opened, stated_ambient, fit) if keep else None
    content = {
        **result.to_json(),
        "kept": None if kept is None else kept.id,
        "planned": None if planned is None else planned.to_json(),
    }
    show(content, _heat_lines(result, planned, write_bench), as_json=as_json)
    if keep and not as_json:
        say(_kept_text(kept, opened))


def _newest(recordings: "list[Recording]") -> "Recording":
    return max(recordings, key=lambda one: one.start_ns)


def _kept_text(kept: "Finding | None", recordings: "list[Recording]") -> str:
    if kept is None:
        return "Nothing was kept: no quantity is known."
    which = f", in place of {kept.replaces[:8]}" if kept.replaces else ""
    return f"Kept in {_newest(recordings).path} as {kept.id[:8]}{which}."


def _keep(
    result: "HeatResult", recordings: "list[Recording]", ambient: "AmbientChoice", fit: "HeatFit"
) -> "Finding | None":
    """Keep a result in the newest of its recordings; None where no quantity is known."""
    from logger.store.repair.keep_finding import keep_finding
    from replay.heat.finding import heat_finding
    from replay.heat.kept_model import model_to_keep

    newest = _newest(recordings)
    if not isinstance(newest.path, Path):
        raise InputError(
            where="--keep", found=str(newest.path), expected="a recording in a folder of its own"
        )
    model = model_to_keep(fit, datetime.now(UTC).date())
    finding = heat_finding(result, recordings, ambient, model=model)
    return None if finding is None else keep_finding(newest.path, finding)


def _show_limits(
    fit: "HeatFit",
    recordings: "list[Recording]",
    limit_degC: float,  # noqa: N803
    *,
    as_json: bool,
) -> None:
    from replay.heat.planning.limits_words import proposed_file
    from replay.heat.planning.proposed_limits import propose_limits, try_limits

    proposed = propose_limits(fit, limit_degC=limit_degC)
    tried = try_limits(proposed, recordings)
    text = proposed_file(proposed, fit, tried, made=datetime.now(UTC))
    answer = {
        "limits": text,
        "tables": list(proposed.tables),
        "load_for_ever": list(proposed.load_for_ever),
        "tried": [one.to_json() for one in tried],
        "assumptions": [one.value for one in proposed.assumptions],
    }
    show(answer, text.splitlines(), as_json=as_json)


def _is_span(text: str) -> bool:
    """Return whether a motion is a span and no file: 10min..25min."""
    first, dots, last = text.partition("..")
    return bool(first and dots and last) and not Path(text).exists()


def _file_motion(text: str) -> "Motion":
    from replay.heat.planning.motion_source import read_motion

    return read_motion(Path(text))


def _span_motion(text: str, recording: "Recording", joint: str, load: str) -> "Motion":
    from replay.heat.planning.motion_source import recorded_motion

    first, _, last = text.partition("..")
    instant = Instant(or_from_start=True)
    begin, end = (
        instant.convert(one, "--motion").since_epoch_ns(recording.start_ns) for one in (first, last)
    )
    return recorded_motion(recording, joint, load, start_ns=begin, end_ns=end, name=text)


def _heat_lines(
    result: "HeatResult", planned: "PlannedHeat | None", bench: Path | None
) -> Iterator[Line]:
    from replay.heat import borne_words, words
    from replay.heat.planning.planned_words import planned_lines, planned_sentence
    from replay.heat.sentence import heat_sentence

    if planned is not None:
        yield planned_sentence(planned)
        yield from planned_lines(planned)
        return
    yield heat_sentence(result)
    yield Table(("of its heat", "value (95 %)", "interval by"), words.quantity_rows(result))
    yield Table(borne_words.for_ever_head(result), borne_words.for_ever_rows(result))
    if result.for_ever and result.held_for:
        yield Table(borne_words.held_for_head(result), borne_words.held_for_rows(result))
    yield from words.note_lines(result)
    if bench is not None:
        yield f"The model stands in {bench}: the next recording with it forecasts this joint."
