"""A result of heat as a finding, to be kept in the recording that it was made from. Pure."""

from collections.abc import Iterator, Sequence
from typing import Final

from logger.findings.finding import (
    Finding,
    FindingSpan,
    FoundQuantity,
    IntervalBy,
    KeptModel,
    Method,
    TypedValue,
    torque_basis_of,
)
from logger.findings.uncertainty import NORMAL_95
from logger.store.layout.manifest import iso_utc
from replay.heat.dated_ambient import DATED_UNCERTAINTY_K
from replay.heat.fit import AmbientChoice
from replay.heat.quantity import IntervalMethod
from replay.heat.result import HeatResult
from replay.recording import Recording

__all__ = ["heat_finding"]

_METHOD: Final = Method(
    name="thermal network of one or two nodes, likelihood of the counts that were read",
    source="own; equations as in logger/joint/thermal/thermal_model.py",
)
_INTERVAL_BY: Final = {
    IntervalMethod.CURVATURE: IntervalBy.CURVATURE,
    IntervalMethod.PROFILE: IntervalBy.PROFILE,
    IntervalMethod.DRAWS: IntervalBy.DRAWS,
}
_MOST_SPANS: Final = 100
"""Beyond it gaps within a recording are left out: its first and last step stand for them."""


def heat_finding(
    result: HeatResult,
    recordings: Sequence[Recording],
    ambient: AmbientChoice,
    *,
    model: KeptModel | None = None,
) -> Finding | None:
    """Return the finding of a result; None where no quantity is known.

    Parameters
    ----------
    recordings
        Those that it was evaluated over.
    model
        The fitted model; None where no load follows from it.
    """
    quantities = (*_network(result), *_borne(result, recordings[0]))
    if not quantities:
        return None
    settings: dict[str, bool | float | str] = {
        "load_channel": result.basis.load_channel,
        "sensors": ", ".join(result.basis.sensors),
        "nodes": float(result.model.nodes),
        "speed_loss": result.model.speed.value,
    }
    if result.limit_degC is not None:
        settings |= {"hottest_degC": result.limit_degC, "hottest_node": result.node.value}
    if ambient.source is not None:
        settings["ambient"] = f"{ambient.source.joint}.{ambient.source.channel}"
    return Finding(
        format=1 if model is None else 2,
        heat_model=model,
        kind="heat",
        joint=result.joint,
        quantities=quantities,
        method=_METHOD,
        settings=settings,
        spans=tuple(_spans(result, recordings)),
        typed=tuple(_typed(ambient)),
    )


def _typed(ambient: AmbientChoice) -> Iterator[TypedValue]:
    """Yield the ambient as it was typed."""
    if ambient.stated_degC is not None:
        yield TypedValue(name="ambient", value=ambient.stated_degC, unit="Cel")
    for one in ambient.dated:
        yield TypedValue(
            name=f"ambient at {iso_utc(one.time_ns)}",
            value=one.degC,
            unit="Cel",
            standard_uncertainty=DATED_UNCERTAINTY_K,
        )


def _network(result: HeatResult) -> Iterator[FoundQuantity]:
    """Yield the quantities of the network that the trace knows."""
    for one in result.quantities:
        if one.is_known:
            yield FoundQuantity(
                name=one.name.value,
                value=one.value,
                unit=one.unit,
                standard_uncertainty=one.standard_uncertainty,
                low=one.low,
                high=one.high,
                interval_by=_INTERVAL_BY[one.method],
            )


def _torque_constant(result: HeatResult, recording: Recording) -> float | None:
    """Return the N.m for one ampere that made a load a torque; None: the joint reports torque."""
    settings = recording.bench.joint_named(result.joint)
    if result.basis.load_channel == "torque_Nm":
        return recording.bench.torque_constant_of(settings)
    return settings.torque.per_ampere if settings.torque else None


def _borne(result: HeatResult, recording: Recording) -> Iterator[FoundQuantity]:
    """Yield the load that is borne for ever, by ambient, rotating and holding."""
    if result.limit_degC is None:
        return
    basis = torque_basis_of(result.load_unit, _torque_constant(result, recording))
    name = "continuous_torque" if result.load_unit == "N.m" else "continuous_current"
    for band in result.for_ever:
        for held, (value, low, high) in ((False, band.rotating), (True, band.holding)):
            if not 0.0 < low <= high:
                continue
            yield FoundQuantity(
                name=name,
                value=value,
                unit=result.load_unit,
                standard_uncertainty=(high - low) / (2.0 * NORMAL_95),
                low=low,
                high=high,
                interval_by=IntervalBy.DRAWS,
                conditions={
                    **basis,
                    "ambient_is_idle" if result.ambient_is_idle else "ambient_degC": (
                        True if result.ambient_is_idle else band.ambient_degC
                    ),
                    "holding": held,
                    f"{result.node.value}_degC": result.limit_degC,
                },
            )


def _spans(result: HeatResult, recordings: Sequence[Recording]) -> Iterator[FindingSpan]:
    for recording in sorted(recordings, key=lambda one: one.start_ns):
        within = [
            (max(begin, recording.start_ns), min(until, recording.end_ns))
            for begin, until in result.basis.spans_ns
            if begin < recording.end_ns and until > recording.start_ns
        ]
        if len(result.basis.spans_ns) > _MOST_SPANS:
            within = [(within[0][0], within[-1][1])] if within else []
        for begin, until in within:
            yield FindingSpan(
                recording_id=recording.manifest.recording_id,
                recording=recording.path.name,
                from_ns=begin,
                to_ns=until,
            )
