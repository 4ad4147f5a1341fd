"""`dutytrace measure KIND`: a measurement on the bench, from typed readings and named spans."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, NamedTuple

import typer

from logger.cli.options import AsJson, Instant, KeyValue, Moment, Pair, ParameterType
from logger.cli.terminal import Line, Table, say, show
from logger.errors import InputError
from replay.measure.procedure import Procedure
from replay.measure.procedures.by_name import PROCEDURES

if TYPE_CHECKING:
    from replay.measure.evidence import NamedSpan
    from replay.measure.plan import PlanStep
    from replay.measure.readiness.needed import Needed
    from replay.measure.result import Expectation, Measurement
    from replay.recording import Recording

__all__ = ["MEASURE_COMMANDS"]


class TypedSpan(NamedTuple):
    """A span as it was typed: its name and both ends."""

    name: str
    begin: Moment
    end: Moment


class SpanOption(ParameterType[TypedSpan]):
    """NAME=FROM..TO, each end in ISO 8601 or from the start of the first recording."""

    metavar = "NAME=FROM..TO"

    def convert(self, text: str, where: str) -> TypedSpan:
        """Return name and ends."""
        pair = KeyValue().convert(text, where)
        begin, dots, end = pair.value.partition("..")
        if not dots or not begin or not end:
            raise InputError(f"{where}: found {text!r}, expected NAME=FROM..TO: loop1=30s..90s.")
        instant = Instant(or_from_start=True)
        return TypedSpan(
            pair.key,
            # Nothing is before the start, but a span may begin at it.
            Moment(0, from_start=True)
            if begin.strip() in {"0", "0s"}
            else instant.convert(begin, where),
            instant.convert(end, where),
        )


Joint = Annotated[str | None, typer.Option(help="The joint; needed where a recording has several.")]
Spans = Annotated[
    list[str],
    SpanOption().option("--span", help="A span of the recording, by its name; several times."),
]
Readings = Annotated[
    list[str],
    typer.Option(
        "--reading",
        metavar="NAME=VALUE",
        help="What you read off, with its unit: arm=344 mm, 'arm=34.4 cm +- 0.5 mm', "
        "'scale=3.25 kg at 6 A', 'scale=3.25 kg at up1'; several times.",
    ),
]
Divisions = Annotated[
    list[str],
    KeyValue().option(
        "--division", help="What the instrument of a reading is read to: tip=1 mm; several times."
    ),
]
Channels = Annotated[
    list[str],
    KeyValue().option(
        "--channel",
        help="Take a reading from a recorded channel: scale=cell.force_N; several times.",
    ),
]
Expect = Annotated[
    bool,
    typer.Option(
        "--expect",
        help="Before the first step: cautions, steps, how narrow it can get with these "
        "instruments, and what would get narrower.",
    ),
]
Keep = Annotated[
    bool, typer.Option("--keep", help="Keep the result in the last of the recordings.")
]


Noted = Annotated[
    bool,
    typer.Option(
        "--noted",
        help="Also the spans that notes name: a note 'loop1: ...' begins one, the next such note "
        "ends it.",
    ),
]
TakeOver = Annotated[
    Path | None,
    typer.Option(
        "--take-over",
        metavar="BENCH",
        help="Write torque per ampere into this bench file, in place and dated (torque only).",
    ),
]


def _command_of(procedure: Procedure) -> Callable[..., None]:
    """Return the command of a kind: the options are the same for all of them."""

    def measure(
        recordings: Annotated[
            list[Path] | None,
            typer.Argument(metavar="[REC]...", help="Recordings that it is measured in."),
        ] = None,
        joint: Joint = None,
        span: Spans = [],  # noqa: B006 - typer makes a list of its own for each call
        noted: Noted = False,
        reading: Readings = [],  # noqa: B006
        division: Divisions = [],  # noqa: B006
        channel: Channels = [],  # noqa: B006
        expect: Expect = False,
        keep: Keep = False,
        take_over: TakeOver = None,
        as_json: AsJson = False,
    ) -> None:
        from replay.measure.evaluate import bench_setup, evaluate_measurement, expect_measurement
        from replay.measure.keep import keep_measurement
        from replay.recording import Recording as Opened

        opened = [Opened.open(one) for one in recordings or []]
        setup = bench_setup(
            procedure.name,
            recordings=opened,
            joint=joint,
            spans=[
                *_named_spans(opened, span),
                *(_noted_spans(opened, procedure, reading) if noted else []),
            ],
            readings=reading,
            divisions=_by_key(division, "--division"),
            channels=_by_key(channel, "--channel"),
        )
        if expect:
            expected = expect_measurement(procedure.name, setup)
            show(
                _expectation_json(procedure, expected),
                _expectation_lines(procedure, expected),
                as_json=as_json,
            )
            return
        result = evaluate_measurement(procedure.name, setup)
        taken = None if take_over is None else _take_over(result, take_over)
        kept = keep_measurement(result, setup, opened) if keep else None
        show(
            {
                **result.to_json(),
                "readings": list(reading),
                "recordings": [one.name for one in opened],
                "spans": [
                    {"name": one.name, "start_ns": one.start_ns, "end_ns": one.end_ns}
                    for one in setup.spans
                ],
                "cautions": [one.code for one in procedure.cautions],
                "kept": None if kept is None else kept.id,
                "taken_over": taken,
            },
            _result_lines(result),
            as_json=as_json,
        )
        if keep and not as_json:
            say(
                "Nothing was kept: no quantity has an interval."
                if kept is None
                else f"Kept in {_newest(opened).path} as {kept.id[:8]}."
            )
        if taken is not None and not as_json:
            say(_taken_text(taken))

    measure.__doc__ = _help_of(procedure)
    return measure


def _newest(recordings: "Sequence[Recording]") -> "Recording":
    return max(recordings, key=lambda one: one.start_ns)


def _take_over(result: "Measurement", path: Path) -> dict[str, float | str | None]:
    """Write torque per ampere into a bench file; return what stood there and what stands now."""
    from datetime import UTC, datetime

    from replay.measure.take_over import take_over_torque

    measured = result.quantity_named("torque_per_ampere")
    if measured is None or not measured.has_interval or not result.joint:
        raise InputError(
            where="--take-over",
            found="no torque per ampere of a named joint with an interval",
            expected="a measurement of torque with levels up and down, and --joint",
        )
    before = take_over_torque(path, result.joint, measured, datetime.now(UTC).date())
    return {"bench": str(path), "before": before, "per_ampere": float(f"{measured.value:.5g}")}


def _taken_text(taken: dict[str, float | str | None]) -> str:
    before, now = taken["before"], taken["per_ampere"]
    text = f"Taken over into {taken['bench']}: {now} N.m/A"
    if isinstance(before, float) and isinstance(now, float):
        off = 100.0 * (before / now - 1.0)
        side = "low" if off < 0.0 else "high"
        text += (
            f" in place of {before:g}. Until now torque was {abs(off):.1f} % {side} on all pages; "
            "`dutytrace redecode REC --bench` computes stored torque anew"
        )
    return f"{text}."


def _help_of(procedure: Procedure) -> str:
    lines = [f"Measure {procedure.words}."]
    if procedure.readings:
        names = [f"{one.name}: {one.words}" for one in procedure.readings if one.name != "*"] or [
            "any name, such as mass=0.612 kg"
        ]
        lines.append("Readings: " + "; ".join(names) + ".")
    if procedure.spans:
        names = [
            f"{'any name' if one.name == '*' else one.name}: {one.words}" for one in procedure.spans
        ]
        lines.append("Spans: " + "; ".join(names) + ".")
    lines.append(f"Caution: {' '.join(one.words for one in procedure.cautions)}")
    return "\n\n".join(lines)


def _named_spans(recordings: "Sequence[Recording]", typed: Sequence[object]) -> "list[NamedSpan]":
    from replay.measure.evidence import NamedSpan

    start_ns = recordings[0].start_ns if recordings else 0
    spans = []
    for one in typed:
        assert isinstance(one, TypedSpan)
        begin_ns, end_ns = one.begin.since_epoch_ns(start_ns), one.end.since_epoch_ns(start_ns)
        if end_ns <= begin_ns:
            raise InputError(
                f"--span: {one.name}: found an end at or before its begin, expected FROM..TO in "
                "order of time."
            )
        spans.append(NamedSpan(name=one.name, start_ns=begin_ns, end_ns=end_ns))
    return spans


def _noted_spans(
    recordings: "Sequence[Recording]", procedure: Procedure, readings: Sequence[str]
) -> "list[NamedSpan]":
    from replay.measure.noted_spans import noted_spans
    from replay.measure.reading import parse_reading

    typed = [parse_reading(one, procedure.readings) for one in readings]
    named = {one.at_span for one in typed if one.at_span}
    found = [
        span
        for one in recordings
        for span in noted_spans(
            one.read_notes(), procedure, None if one.live else one.end_ns, named=named
        )
    ]
    if not found:
        if any(one.at_span for one in procedure.readings):
            raise InputError(
                where="--noted",
                found="no note that names a span of a reading",
                expected="readings at spans that notes name: a note 'up1: what is done', and "
                "--reading 'scale=3.25 kg at up1'",
            )
        names = [one.name for one in procedure.spans if one.name != "*"]
        raise InputError(
            where="--noted",
            found="no note that names a span",
            expected=f"a note such as '{names[0] if names else 'swing'}1: what is done'",
        )
    return found


def _by_key(pairs: Sequence[object], where: str) -> dict[str, str]:
    given: dict[str, str] = {}
    for one in pairs:
        assert isinstance(one, Pair)
        if one.key in given:
            raise InputError(f"{where}: found {one.key!r} twice, expected it once.")
        given[one.key] = one.value
    return given


def _result_lines(result: "Measurement") -> Iterator[Line]:
    from replay.measure import sentence

    yield sentence.measurement_sentence(result)
    yield Table(
        ("measured", "value (95 %)", "standard uncertainty", "interval by"),
        sentence.quantity_rows(result),
    )
    yield Table(("its uncertainty comes from", "standard"), sentence.part_rows(result))
    yield Table(("not known", "because", "to know it"), sentence.unknown_rows(result))
    yield from sentence.basis_lines(result)


def _expectation_json(procedure: Procedure, expected: "Expectation | None") -> dict[str, object]:
    return {
        "kind": procedure.name,
        "cautions": [one.words for one in procedure.cautions],
        "steps": [one.words_with_way for one in procedure.steps],
        "expected": None if expected is None else expected.to_json(),
    }


def _expectation_lines(procedure: Procedure, expected: "Expectation | None") -> Iterator[Line]:
    from replay.measure import sentence

    yield from sentence.procedure_lines(procedure)
    if expected is not None:
        yield from sentence.expectation_lines(expected)


def plan_measurements(
    recordings: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[REC]...", help="Recordings of the joint: its rated values, and what is kept."
        ),
    ] = None,
    joint: Joint = None,
    as_json: AsJson = False,
) -> None:
    """Print a programme for a new joint: what to move, how long, in which order. Sends nothing."""
    from replay.measure.programme import joint_programme, needed_of
    from replay.recording import Recording as Opened

    opened = [Opened.open(one) for one in recordings or []]
    needed = needed_of(opened, joint)
    steps = joint_programme(opened, joint, needed=needed)
    heat = next((one for one in needed if one.kind == "heat"), None)
    show(
        {
            "steps": [one.to_json() for one in steps],
            "heat": None if heat is None else heat.to_json(),
        },
        _plan_lines(steps, heat),
        as_json=as_json,
    )


def _plan_lines(steps: "Sequence[PlanStep]", heat: "Needed | None") -> Iterator[Line]:
    from replay.measure.readiness.needed import needed_text

    yield "You or your controller move the joint, within its own limits; dutytrace sends nothing."
    for one in steps:
        done = " (done: a finding is kept)" if one.is_answered else ""
        yield f"{one.number}. {one.procedure.name}, about {one.procedure.takes}: {one.why}{done}"
        if one.needed is not None and one.needed.is_begun and not one.is_answered:
            yield f"   RECORDED: {needed_text(one.needed)}."
        for caution in one.procedure.cautions:
            yield f"   CAUTION: {caution.words}"
        for step in one.procedure.steps:
            yield f"   - {step.words_with_way}"
        if one.levels:
            yield f"   - For this joint: {one.levels}."
    if heat is not None:
        yield f"Beside them, K/W of the joint (`dutytrace heat`): {needed_text(heat)}."


MEASURE_COMMANDS: Final[dict[str, Callable[..., None]]] = {
    **{name: _command_of(procedure) for name, procedure in PROCEDURES.items()},
    "plan": plan_measurements,
}
"""Name -> command, one a kind, and the programme."""
