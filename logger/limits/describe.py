"""What each limit of a file will do on a bench, in words: read it before you rely on it. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources

from logger.joint.bench.bench import Bench
from logger.limits.bus import OfRecorder
from logger.limits.evaluate import plan_for
from logger.limits.kind import Kind
from logger.limits.limit import LimitSet
from logger.limits.words import in_words, label

__all__ = ["Explained", "example_text", "explained"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """One limit in words."""

    name: str
    kind: str
    severity: str
    joints: tuple[str, ...]
    """On which it is; empty for one on the recorder itself."""
    words: str
    shares: tuple[str, ...]
    """What its shares of rated values come to on each joint."""


def example_text() -> str:
    """Return the commented limits file that ships."""
    return (resources.files("logger.limits") / "example.toml").read_text(encoding="utf-8")


def explained(limits: LimitSet, bench: Bench) -> tuple[Explained, ...]:
    """Return what each limit will do, in the file's order; `check_against` has accepted them."""
    return tuple(_each(limits, bench))


def _each(limits: LimitSet, bench: Bench) -> Iterator[Explained]:
    plans = [
        plan_for(
            limits,
            joint=joint.name,
            hold_ns=bench.hold_ns_of(joint),
            sensor=joint.name in bench.sensors,
            rated=joint.rated,
        )
        for joint in bench.joints
    ]
    for limit in limits.limits:
        mine = [
            (plan.joint, spoken)
            for plan in plans
            for spoken in plan.limits
            if spoken.name == limit.name
        ]
        shared = isinstance(limit, Kind) and limit.shares
        yield Explained(
            name=limit.name,
            kind=limit.kind,
            severity=limit.severity,
            joints=() if isinstance(limit, OfRecorder) else tuple(joint for joint, _ in mine),
            words=in_words(limit),
            shares=tuple(f"{joint}: {label(spoken)}" for joint, spoken in mine) if shared else (),
        )
