"""Limits that protect a fitted joint, as tables of a limits file, and what they would have done."""
# ruff: noqa: N803, N815 - units are written as units are

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np

from logger.errors import InputError
from logger.heat.model import SpeedLoss
from logger.joint.thermal.thermal_load import JointHeat, Node
from logger.joint.time_weighted import Buckets
from logger.limits.kind import Severity
from logger.limits.kinds.level import Level
from logger.limits.limit import AnyJointLimit, limits_from_tables
from logger.limits.limits_text import replace_limits_text
from replay.evaluation.alert_arrays import AlertArrays
from replay.evaluation.tasks import evaluate_limits
from replay.heat.answers import load_for_ever
from replay.heat.evaluate import REFERENCE_DEGC
from replay.heat.fit import HeatFit
from replay.heat.planning.image_limits import ProtectingImage, protecting_images
from replay.heat.result import ValueBand
from replay.heat.words import load_lack_text
from replay.recording import Recording

__all__ = [
    "LimitsAssumption",
    "ProposalFault",
    "ProposalFaultKind",
    "ProposedLimits",
    "TriedLimit",
    "propose_limits",
    "try_limits",
]

WARNING_PERCENT: Final = 90.0
DROP_OFF_PERCENT: Final = 80.0
AMBIENT_CHANNEL: Final = "temperature_ambient_degC"
SEVERITIES: Final[tuple[Severity, ...]] = ("warning", "trip")
APART_K: Final = 2.0
"""By which the node must have cooled before it can reach its limit once more."""
LEAST_ROOM_K: Final = 5.0
"""Above the reference ambient, that a temperature must leave for an ambient to count."""


class ProposalFaultKind(StrEnum):
    """Why no limit can be proposed."""

    LOAD_NOT_KNOWN = "load not known"
    NOTHING_BORNE = "nothing borne"


class ProposalFault(InputError):
    """A joint that no limit can be proposed for; `kind` says why, without its words."""

    def __init__(self, kind: ProposalFaultKind, *, where: str, found: str, hint: str = "") -> None:
        self.kind = kind
        super().__init__(where=where, found=found, expected=_PROPOSAL_EXPECTED[kind], hint=hint)


_PROPOSAL_EXPECTED: Final = {
    ProposalFaultKind.LOAD_NOT_KNOWN: "some that tell what a load warms it by",
    ProposalFaultKind.NOTHING_BORNE: "a higher temperature that must not be passed",
}


class LimitsAssumption(StrEnum):
    """What proposed limits take for granted."""

    LOWER_END = "lower end"
    """The load for ever is the lower end of its interval; the time constants are the likeliest."""
    AMBIENT_COUNTS = "ambient counts"
    """The joint's own ambient channel moves the limits."""
    AMBIENT_FIXED = "ambient fixed"
    """They hold up to the ambient that they are for, and protect less in a warmer room."""
    IDLE_AS_RECORDED = "idle as recorded"
    """The room was not recorded: they are for the temperature without load as it was."""
    SPEED_AS_RECORDED = "speed as recorded"
    """The joint loses heat by speed; that is counted at the speed of the recordings."""
    BEGINS_COLD = "begins cold"
    """What is warm when a recording starts is protected only after some time constants."""
    TURNING = "turning"
    """At standstill one phase may carry the peak all the time: up to twice the loss."""
    SHARE_GIVEN_UP = "share given up"
    """A tenth of the load for ever is given up, so that short loads may be higher."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedLimits:
    """Limits on a joint's load, as tables of a limits file."""

    joint: str
    node: Node
    limit_degC: float
    ambient_degC: float
    load_for_ever: ValueBand
    """In the unit of the limits' channel."""
    images: tuple[ProtectingImage, ...]
    tables: tuple[dict[str, Any], ...]
    assumptions: tuple[LimitsAssumption, ...]

    @property
    def text(self) -> str:
        """The tables as a limits file."""
        return replace_limits_text("format = 1\n", self.tables)

    def joint_limits(self) -> tuple[AnyJointLimit, ...]:
        """Return the limits as they are evaluated."""
        limits = limits_from_tables(self.tables, "proposed limits", text=self.text)
        return tuple(limits.for_joint(self.joint, (self.tables[0]["channel"], AMBIENT_CHANNEL)))


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedLimit:
    """What the limits of one severity, which protect together, would have done on a recording."""

    recording: str
    severity: Severity
    raised: int
    """How many alerts there would have been."""
    leads_s: tuple[float | None, ...]
    """For each time that the node reached its limit: how long before that the first of the alerts
    was raised which were active then, pauses in the readings left out; None: there was none."""
    without: int
    """How many of the alerts were not active while the node was at its limit."""
    hottest_degC: float
    """That the node was read at; NaN where it is not recorded."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "recording": self.recording,
            "severity": self.severity,
            "raised": self.raised,
            "leads_s": list(self.leads_s),
            "without": self.without,
            "hottest_degC": self.hottest_degC if math.isfinite(self.hottest_degC) else None,
        }


def propose_limits(fit: HeatFit, *, limit_degC: float) -> ProposedLimits:
    """Return thermal images that protect the node of a fit, as a warning and a trip each.

    Raises
    ------
    ProposalFault
        The fit does not know what a load warms the joint by, or the joint bears none.
    """
    where = fit.read.recordings[0]
    if not fit.is_load_known:
        raise ProposalFault(
            ProposalFaultKind.LOAD_NOT_KNOWN,
            where=where,
            found=f"recordings of {fit.label} that do not tell what a load warms it by",
            hint=load_lack_text(fit),
        )
    ambient_degC = REFERENCE_DEGC if fit.has_room else fit.idle_degC  # noqa: N806
    (band,) = load_for_ever(
        fit.joints,
        node=fit.node,
        limit_degC=limit_degC,
        ambients_degC=(ambient_degC,),
        per_ampere=1.0,
        speed_rad_s=fit.rms_speed_rad_s,
    )
    if not band.rotating[1] > 0.0:
        at = "in a room at" if fit.has_room else "where it is at"
        raise ProposalFault(
            ProposalFaultKind.NOTHING_BORNE,
            where=where,
            found=f"{limit_degC:g} °C, which {fit.label} may have without any load {at} "
            f"{ambient_degC:.0f} °C",
        )
    images = protecting_images(fit.joints[0], node=fit.node, load_for_ever=band.rotating[1])
    most_degC = limit_degC - _idle_rise_K(fit.joints[0], fit)  # noqa: N806
    counts_ambient = (
        fit.has_room
        and f"{fit.joint}.{AMBIENT_CHANNEL}"
        in {f"{one.joint}.{one.channel}" for one in fit.read.sources}
        and most_degC > REFERENCE_DEGC + LEAST_ROOM_K
    )
    tables = [
        table
        for image in images
        for table in _tables(fit, image, most_degC if counts_ambient else None)
    ]
    holds = {
        LimitsAssumption.LOWER_END: True,
        LimitsAssumption.AMBIENT_COUNTS: counts_ambient,
        LimitsAssumption.AMBIENT_FIXED: fit.has_room and not counts_ambient,
        LimitsAssumption.IDLE_AS_RECORDED: not fit.has_room,
        LimitsAssumption.SPEED_AS_RECORDED: fit.problem.model.speed is not SpeedLoss.NONE,
        LimitsAssumption.BEGINS_COLD: True,
        LimitsAssumption.TURNING: True,
        LimitsAssumption.SHARE_GIVEN_UP: len(images) > 1,
    }
    return ProposedLimits(
        joint=fit.joint,
        node=fit.node,
        limit_degC=limit_degC,
        ambient_degC=ambient_degC,
        load_for_ever=band.rotating,
        images=images,
        tables=tuple(tables),
        assumptions=tuple(one for one, is_so in holds.items() if is_so),
    )


def try_limits(proposed: ProposedLimits, recordings: Sequence[Recording]) -> list[TriedLimit]:
    """Return what the limits would have done on each recording, evaluated over its readings."""
    channel = f"temperature_{proposed.node}_degC"
    limits = proposed.joint_limits()
    out = []
    for recording in recordings:
        hottest, reached, found = math.nan, None, None
        watched = list(limits)
        if channel in recording.channels(proposed.joint):
            found = recording.read_buckets(
                proposed.joint,
                channel,
                recording.start_ns // _S * _S,
                -(-recording.end_ns // _S) * _S,
            )
            hottest = float(found.maximum.max()) if len(found) else math.nan
            watched.append(
                Level(
                    name="reached", severity="trip", joint=proposed.joint, channel=channel,
                    above=proposed.limit_degC, drop_off=proposed.limit_degC - APART_K,
                )
            )  # fmt: skip
        alerts = evaluate_limits(recording, proposed.joint, watched)
        if len(watched) > len(limits):
            reached = alerts.pop()
        for severity in SEVERITIES:
            raised = [
                one for limit, one in zip(limits, alerts, strict=True) if limit.severity == severity
            ]
            leads_s, without = _leads(raised, reached, found)
            out.append(
                TriedLimit(
                    recording=recording.name,
                    severity=severity,
                    raised=sum(len(one) for one in raised),
                    leads_s=leads_s,
                    without=without,
                    hottest_degC=hottest,
                )
            )
    return out


_S: Final = 1_000_000_000


def _leads(
    raised: Sequence[AlertArrays], reached: AlertArrays | None, read: Buckets | None
) -> tuple[tuple[float | None, ...], int]:
    """Return the lead to each time that the limit was reached, and how many alerts had none.

    `read`: the node's readings, whose pauses count for nothing.
    """
    starts = np.concatenate([one.raised_ns for one in raised])
    ends = np.concatenate([one.returned_ns for one in raised])
    if reached is None or read is None or not len(reached):
        return (), len(starts)
    useful = np.zeros(len(starts), bool)
    leads: list[float | None] = []
    for begin_ns, until_ns in zip(reached.onset_ns, reached.returned_ns, strict=True):
        useful |= (starts <= until_ns) & (ends >= begin_ns)
        active = starts[(starts <= begin_ns) & (ends >= begin_ns)]
        leads.append(_read_s(read, active.min(), begin_ns) if len(active) else None)
    return tuple(leads), int((~useful).sum())


def _read_s(read: Buckets, begin_ns: np.int64, end_ns: np.int64) -> float:
    """Return for how long there were readings between two instants."""
    edges_ns = np.stack([read.start_ns, read.start_ns + read.width_ns], axis=1).ravel()
    until_s = np.cumsum(read.duration_s)
    held_s = np.stack([until_s - read.duration_s, until_s], axis=1).ravel()
    first_ns = edges_ns[0]
    begin_s, end_s = np.interp(
        np.array([begin_ns - first_ns, end_ns - first_ns]), edges_ns - first_ns, held_s
    )
    return float(end_s - begin_s)


def _idle_rise_K(joint: JointHeat, fit: HeatFit) -> float:  # noqa: N802
    """Return what standby warms the node by: loads warm it on top of that."""
    network = joint.network
    resistance = getattr(network, "housing_ambient_K_per_W", None)
    if resistance is None:
        resistance = network.resistance_K_per_W
    return float(resistance * joint.standby_W) if fit.has_room else 0.0


def _tables(fit: HeatFit, image: ProtectingImage, most_degC: float | None) -> list[dict[str, Any]]:
    """Return a warning and a trip by one image; what is rounded errs on the side of care."""
    name = f"{fit.joint.replace('_', '-')[:40]}-{image.part}-image"
    shared: dict[str, Any] = {
        "joint": fit.joint,
        "channel": fit.read.load,
        "basic": _rounded_down(image.carried),
        "k": 1.0,
        "heating_s": float(max(f"{image.time_constant_s:.3g}", "1", key=float)),
    }
    if most_degC is not None:
        shared["most_degC"] = math.floor(10.0 * most_degC) / 10.0
    return [
        {
            "name": f"{name}-warning",
            "kind": "thermal",
            "severity": "warning",
            **shared,
            "above_percent": WARNING_PERCENT,
            "drop_off_percent": DROP_OFF_PERCENT,
        },
        {
            "name": f"{name}-trip",
            "kind": "thermal",
            "severity": "trip",
            **shared,
            "above_percent": 100.0,
            "drop_off_percent": DROP_OFF_PERCENT,
        },
    ]


def _rounded_down(value: float) -> float:
    """Return a value with three digits, no more than it is."""
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return float(f"{math.floor(value / step * (1 + 1e-12)) * step:.3g}")
