"""Each limit of a file in words, with what it does on a bench: to be read before use. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logger.heat.fitted import heat_of_joint
from logger.joint.bench.bench import Bench
from logger.joint.bench.counts import count_grids
from logger.limits.evaluate import LimitPlan, plan_limits
from logger.limits.limit import LimitSet
from logger.limits.recorder_limit import RecorderLimit
from logger.limits.scored_limit import ScoredLimit
from logger.limits.words import describe_limit, limit_label

__all__ = ["LimitDescription", "describe_limits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitDescription:
    """One limit in words."""

    name: str
    kind: str
    severity: str
    joints: tuple[str, ...]
    """On which it is; empty for one on the recorder itself."""
    text: str
    needs_rated: tuple[str, ...]
    """What its shares of rated values come to on each joint."""
    not_judged: tuple[str, ...] = ()
    """Under which condition it is not judged, with the joints; none where it always is."""

    def to_json(self) -> dict[str, Any]:
        """Return it as plain content, as `dutytrace limits check --json` answers."""
        return {
            "limit": self.name,
            "kind": self.kind,
            "severity": self.severity,
            "joints": list(self.joints),
            "words": self.text,
            "shares": list(self.needs_rated),
            "not_judged": list(self.not_judged),
        }


def describe_limits(limits: LimitSet, bench: Bench) -> tuple[LimitDescription, ...]:
    """Return what each limit will do, in the file's order; `check_against` has accepted them."""
    return tuple(_describe_each(limits, bench))


def _describe_each(limits: LimitSet, bench: Bench) -> Iterator[LimitDescription]:
    plans = [
        plan_limits(
            limits,
            joint=joint.name,
            hold_ns=bench.hold_times_ns_of(joint),
            sensor=joint.name in bench.sensors,
            rated=joint.rated,
            grids=count_grids(bench, joint),
            heat=heat_of_joint(joint, bench.channels_of(joint)),
        )
        for joint in bench.joints
    ]
    for limit in limits.limits:
        by_joint = [
            (plan.joint, converted)
            for plan in plans
            for converted in plan.limits
            if converted.name == limit.name
        ]
        yield LimitDescription(
            name=limit.name,
            kind=limit.kind_name(),
            severity=limit.severity,
            joints=()
            if isinstance(limit, RecorderLimit)
            else tuple(joint for joint, _ in by_joint),
            text=describe_limit(limit, bench.labels),
            needs_rated=tuple(
                f"{bench.label_of(joint)}: {limit_label(converted)}"
                for joint, converted in by_joint
            )
            if limit.needs_rated
            else (),
            not_judged=_not_judged(limit.name, plans, bench.labels),
        )


def _not_judged(
    name: str, plans: Sequence[LimitPlan], labels: Mapping[str, str]
) -> tuple[str, ...]:
    """Return under which condition a limit is not judged, joints of the same one together."""
    joints: dict[str, list[str]] = {}
    for plan in plans:
        for limit in plan.limits:
            if limit.name == name and isinstance(limit, ScoredLimit):
                condition = limit.not_judged_condition(plan.hold_ns)
                joints.setdefault(condition, []).append(labels[plan.joint])
    return tuple(
        f"{', '.join(names)}: not judged {condition}"
        for condition, names in joints.items()
        if condition
    )
