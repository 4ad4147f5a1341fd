"""The one way in: a kind of measurement, typed readings and spans of recordings to a result."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from logger.errors import InputError
from replay.measure.evidence import (
    NamedSpan,
    joint_facts,
    measured_joint,
    read_spans,
    whole_recording,
)
from replay.measure.kinds.backlash import expect_backlash, measure_backlash
from replay.measure.kinds.ceiling import measure_ceiling
from replay.measure.kinds.expectations import (
    expect_free,
    expect_friction,
    expect_oscillation,
    expect_turns,
    expect_value,
)
from replay.measure.kinds.free import measure_free
from replay.measure.kinds.friction import measure_friction
from replay.measure.kinds.oscillation import measure_oscillation
from replay.measure.kinds.torque import expect_torque, measure_torque
from replay.measure.kinds.turns import measure_turns
from replay.measure.kinds.value import measure_value
from replay.measure.procedure import Procedure
from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.reading import Reading, parse_quantity, parse_reading
from replay.measure.result import Expectation, Measurement
from replay.measure.setup import BenchSetup, JointFacts, SpanTrace
from replay.recording import Recording

__all__ = ["FINDS_ITS_SPANS", "bench_setup", "evaluate_measurement", "expect_measurement"]

EVALUATIONS: Final[dict[str, Callable[[BenchSetup], Measurement]]] = {
    "backlash": measure_backlash,
    "torque": measure_torque,
    "ceiling": measure_ceiling,
    "oscillation": measure_oscillation,
    "friction": measure_friction,
    "free": measure_free,
    "turns": measure_turns,
    "value": measure_value,
}
EXPECTATIONS: Final[dict[str, Callable[[BenchSetup], Expectation | None]]] = {
    "backlash": expect_backlash,
    "torque": expect_torque,
    "oscillation": expect_oscillation,
    "friction": expect_friction,
    "free": expect_free,
    "turns": expect_turns,
    "value": expect_value,
}
FINDS_ITS_SPANS: Final = {"ceiling", "oscillation", "friction"}
"""Kinds that take the whole recording where no span is named."""


def bench_setup(
    kind: str,
    *,
    recordings: Sequence[Recording] = (),
    joint: str | None = None,
    spans: Sequence[NamedSpan] = (),
    readings: Sequence[str] = (),
    divisions: Mapping[str, str] | None = None,
    channels: Mapping[str, str] | None = None,
) -> BenchSetup:
    """Return what an evaluation stands on, checked.

    Parameters
    ----------
    readings
        As they are typed: `arm=344 mm`.
    divisions
        Name of a reading -> what its instrument is read to: `1 mm`.
    channels
        Name of a reading -> the channel that it is taken from.

    Raises
    ------
    InputError
        Something does not fit the kind of measurement; one sentence.
    """
    procedure = PROCEDURES[kind]
    typed = [parse_reading(text, procedure.readings) for text in readings]
    steps = _steps_of(procedure, typed, divisions or {})
    typed = [replace(one, division=steps.get(one.name, 0.0)) for one in typed]
    facts = JointFacts(name=joint or "")
    traces: tuple[SpanTrace, ...] = ()
    for name in channels or {}:
        if name not in procedure.channels:
            known = ", ".join(procedure.channels) or "none for this kind"
            raise InputError(f"found {name!r}, expected one of: {known}.", where="--channel")
    if recordings:
        name = measured_joint(recordings, joint)
        facts = joint_facts(recordings[0], name)
        if not spans and kind in FINDS_ITS_SPANS:
            spans = whole_recording(recordings)
        traces = read_spans(recordings, name, spans, channels or {})
    elif spans or channels:
        raise InputError(
            "found a span or a channel and no recording, expected the recording in front.",
            where="--span",
        )
    named = {one.name for one in spans}
    for one in typed:
        if one.at_span and one.at_span not in named:
            known = ", ".join(sorted(named)) or "none"
            raise InputError(
                f"found 'at {one.at_span}', expected a value, or a span "
                f"that is named by --span: {known}.",
                where=f"--reading: {one.name}",
            )
    _check_roles(procedure, spans)
    return BenchSetup(
        joint=facts,
        readings=tuple(typed),
        spans=traces,
        channels=dict(channels or {}),
        divisions=steps,
    )


def evaluate_measurement(kind: str, setup: BenchSetup) -> Measurement:
    """Return what a measurement gives.

    Raises
    ------
    InputError
        It cannot be made of these readings and spans; one sentence.
    """
    return EVALUATIONS[kind](setup)


def expect_measurement(kind: str, setup: BenchSetup) -> Expectation | None:
    """Return how narrow a measurement can get with these instruments, before it is made.

    None where nothing can be said of the kind beforehand.
    """
    expect = EXPECTATIONS.get(kind)
    return expect(setup) if expect else None


def _steps_of(
    procedure: Procedure, typed: Sequence[Reading], divisions: Mapping[str, str]
) -> dict[str, float]:
    """Return what the instruments are read to, in the units of the readings."""
    known = {one.name for one in procedure.readings}
    steps = {}
    for name, text in divisions.items():
        units = {one.unit for one in typed if one.name == name}
        if name not in known and "*" not in known:
            raise InputError(
                f"found {name!r}, expected one of: {', '.join(sorted(known))}.", where="--division"
            )
        if not units:
            units = {
                unit for rule in procedure.readings if rule.name == name for unit in rule.units[:1]
            }
        step, _ = parse_quantity(text, sorted(units), where="--division", what=name)
        if step <= 0.0:
            raise InputError(
                f"found {text!r}, expected the step that the instrument is "
                "read to, greater than 0.",
                where=f"--division: {name}",
            )
        steps[name] = step
    return steps


def _check_roles(procedure: Procedure, spans: Sequence[NamedSpan]) -> None:
    rules = [one.name for one in procedure.spans]
    if "*" in rules or not spans:
        return
    for span in spans:
        if span.name.startswith("all"):
            continue
        if not any(span.name.rstrip("0123456789-_") == name for name in rules):
            known = "; ".join(f"{one.name} ({one.words})" for one in procedure.spans) or "none"
            raise InputError(
                f"found {span.name!r}, expected one of these, numbered where there are "
                f"several: {known}.",
                where="--span",
            )
