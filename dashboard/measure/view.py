"""Everything that the Measure page shows of a measurement. Reads a recording."""

from datetime import tzinfo
from typing import Any, Final

from dashboard.figures.pens import NO_PEN
from dashboard.measure.course import course_figure, newest_value, watched_channel
from dashboard.measure.evaluated import MeasureOutcome
from dashboard.measure.kind_figures import measurement_figure
from dashboard.measure.question import AskedMeasurement, MarkedSpan
from dashboard.measure.watched import watched_content
from dashboard.text.format import format_date_time, format_duration, format_number
from dashboard.text.theme import Theme
from dashboard.text.units import Displays
from logger.arrays import to_s
from logger.errors import InputError
from logger.findings.finding import FoundQuantity
from replay.heat.text import band_values
from replay.measure import sentence
from replay.measure.evaluate import FINDS_ITS_SPANS
from replay.measure.noted_spans import noted_spans
from replay.measure.procedure import Procedure
from replay.measure.progress import StepProgress, next_span_name, step_progress
from replay.measure.result import Expectation, Measurement
from replay.recording import Recording
from replay.sheet.words import claim_text

__all__ = ["measure_view", "procedure_content", "reason_text"]

MOST_KEPT: Final = 5
MOST_NOTED: Final = 40


def procedure_content(procedure: Procedure) -> dict[str, Any]:
    """Return what the page has to know of a kind: the data that the command shows, too."""
    return {
        "name": procedure.name,
        "title": procedure.title,
        "words": procedure.words,
        "takes": procedure.takes,
        "ways": [{"name": one.code, "words": one.words} for one in procedure.ways],
        "cautions": [one.words for one in procedure.cautions],
        "readings": [
            {
                "name": one.name,
                "words": one.words,
                "at": list(one.at),
                "at_span": one.at_span,
                "repeats": one.repeats,
            }
            for one in procedure.readings
        ],
        "spans": [{"name": one.name, "words": one.words} for one in procedure.spans],
        "channels": list(procedure.channels),
        "finds": procedure.name in FINDS_ITS_SPANS,
    }


def measure_view(
    recording: Recording,
    asked: AskedMeasurement,
    outcome: MeasureOutcome,
    *,
    pen: int,
    theme: Theme,
    zone: tzinfo,
    displays: Displays,
    is_narrow: bool,
) -> dict[str, Any]:
    """Return the steps with what there is of them, what is watched, and the answer so far."""
    closed = [one.name for one in asked.spans if one.end_s is not None]
    progress = step_progress(
        asked.procedure, way=asked.way, readings=asked.reading_names, spans=closed
    )
    channel = watched_channel(recording, asked.joint, _watch(progress))
    result = outcome.result
    return {
        "steps": [_step_content(one, asked) for one in progress],
        "value": newest_value(recording, asked.joint, channel, displays),
        "course": course_figure(
            recording,
            asked.joint,
            channel,
            spans=asked.spans,
            pen=pen or NO_PEN,
            theme=theme,
            displays=displays,
            is_narrow=is_narrow,
        ),
        "watched": watched_content(recording, asked, progress),
        "now_s": to_s(recording.end_ns - recording.start_ns),
        "spans": [_span_content(one) for one in asked.spans],
        "noted": _noted(recording, asked),
        "state": "answered" if result else "refused" if outcome.refused else "nothing",
        "reason": reason_text(outcome.refused),
        "expected": _expectation(outcome.expected),
        "result": None if result is None else _result_content(result, _claim(recording, result)),
        "picture": None
        if result is None
        else measurement_figure(result.kind, result.picture, pen=pen, theme=theme),
        "command": _command(recording, asked),
        "kept": _kept(recording, asked, zone),
        "sources": _source_channels(recording, asked),
    }


def reason_text(refused: InputError | None) -> str:
    """Return why there is no result yet, as a person at the bench reads it."""
    if refused is None:
        return ""
    # What to type in a terminal is no help here.
    texts = [one.problem or one.text for one in refused.mistakes]
    return " ".join(text[:1].upper() + text[1:] for text in texts)


def _watch(progress: tuple[StepProgress, ...]) -> list[str]:
    """Return the channels to keep in sight: those of what is to be done now, then of any step."""
    steps = [one.step for one in progress if one.is_now] + [one.step for one in progress]
    return [channel for step in steps for channel in step.watch]


def _step_content(one: StepProgress, asked: AskedMeasurement) -> dict[str, Any]:
    needed = one.step.channel
    roles = one.step.spans if not needed or needed in dict(asked.channels) else ()
    return {
        "code": one.step.code,
        "words": one.step.words,
        "have": one.have,
        "wants": one.step.wants,
        "missing": one.missing,
        "done": one.is_done,
        "now": one.is_now,
        "spans": [
            {"role": role, "next": next_span_name(role, (span.name for span in asked.spans))}
            for role in roles
        ],
        "readings": list(one.step.readings),
    }


def _span_content(one: MarkedSpan) -> dict[str, Any]:
    open_text = f"from {format_number(one.begin_s, 1)} s, still open"
    if one.end_s is None:
        return {"name": one.name, "open": True, "text": open_text}
    length = format_duration(one.end_s - one.begin_s)
    return {
        "name": one.name,
        "open": False,
        "text": f"{format_number(one.begin_s, 1)} to {format_number(one.end_s, 1)} s, {length}",
    }


def _noted(recording: Recording, asked: AskedMeasurement) -> list[dict[str, Any]]:
    """Return the spans that notes name and that are not marked yet, in s since the start."""
    marked = {one.name for one in asked.spans}
    end_ns = None if recording.live else recording.end_ns
    return [
        {
            "name": one.name,
            "begin_s": round(to_s(one.start_ns - recording.start_ns), 3),
            # Cut, not rounded: a span may not end after its recording.
            "end_s": (one.end_ns - recording.start_ns) // 1_000_000 / 1000.0,
        }
        for one in noted_spans(recording.read_notes(), asked.procedure, end_ns)
        if one.name not in marked
    ][:MOST_NOTED]


def _expectation(expected: Expectation | None) -> list[str]:
    return [] if expected is None else [one.strip() for one in sentence.expectation_lines(expected)]


def _claim(recording: Recording, result: Measurement) -> str:
    """Return what the maker claims of the first quantity, "" for nothing."""
    joint = recording.bench.joint_named(result.joint)
    names = [one.of.name for one in result.quantities[:1]]
    claims = [
        claim_text(one) for one in recording.bench.claims_of(joint) if one.quantity.name in names
    ]
    return ", ".join(claims)


def _result_content(result: Measurement, claim: str) -> dict[str, Any]:
    first = result.quantities[0] if result.quantities else None
    value, unit, interval = sentence.value_parts(first) if first else ("", "", "")
    return {
        "sentence": sentence.measurement_sentence(result),
        "label": sentence.quantity_rows(result)[0][0] if first else "",
        "answer": result.answer,
        "value": value,
        "unit": unit,
        "interval": interval,
        "uncertainty": sentence.quantity_rows(result)[0][2] if first else "",
        "dof": format_number(first.dof, 0) if first and first.dof < 1e6 else "",
        "claim": claim,
        "is_limit": first is not None and first.is_limit,
        "can_keep": any(one.has_interval for one in result.quantities),
        "quantities": [list(one) for one in sentence.quantity_rows(result)],
        "parts": [list(one) for one in sentence.part_rows(result)],
        "unknown": [list(one) for one in sentence.unknown_rows(result)],
        "remarks": [one.words for one in result.remarks],
        "method": f"{result.method.words} ({result.source})",
        "instruments": list(result.instruments),
        "assumptions": [one.words for one in result.assumptions],
        "json": result.to_json() | {"picture": {}},
    }


def _command(recording: Recording, asked: AskedMeasurement) -> str:
    """Return what gives the same in a terminal."""
    words = ["dutytrace measure", asked.kind, recording.path.name, f"--joint {asked.joint}"]
    words += [
        f"--span {one.name}={one.begin_s:.12g}s..{one.end_s:.12g}s"
        for one in asked.spans
        if one.end_s is not None
    ]
    words += [f"--reading '{one}'" for one in asked.readings]
    words += [f"--division '{name}={text}'" for name, text in asked.divisions]
    words += [f"--channel {name}={text}" for name, text in asked.channels]
    return " ".join(words)


def _kept(recording: Recording, asked: AskedMeasurement, zone: tzinfo) -> list[str]:
    """Return what is kept of this kind and joint, the newest first."""
    found = [
        one
        for one in recording.read_findings().current
        if one.kind == asked.kind and one.joint == asked.joint
    ]
    return [
        f"{format_date_time(one.made_ns, zone)}: {_quantity_text(one.quantities[0])}"
        for one in reversed(found[-MOST_KEPT:])
    ]


def _quantity_text(one: FoundQuantity) -> str:
    value, interval = band_values((one.value, one.low, one.high))
    return f"{value} {sentence.unit_words(one.unit)} ({interval})"


def _source_channels(recording: Recording, asked: AskedMeasurement) -> list[str]:
    """Return the recorded channels that a reading may be taken from: those of instruments."""
    if not asked.procedure.channels:
        return []
    return [
        f"{sensor}.{channel}"
        for sensor in recording.bench.sensors
        for channel in recording.channels(sensor)
    ]
