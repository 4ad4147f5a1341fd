"""Findings of quantities with stated parts, as a specimen has them."""

from logger.findings.finding import Finding, FindingSpan, Method, UncertaintyPart
from logger.findings.uncertainty import quantity_from_parts
from replay.sheet.combining import SourcedQuantity

H = 3_600_000_000_000
START_NS = 1_795_000_000_000_000_000


def sourced(
    value: float,
    *,
    own: float = 0.1,
    freedom: float | None = 4.0,
    arm: float = 0.0,
    name: str = "backlash",
    unit: str = "'",
    hours: float = 0.0,
    number: int = 0,
    conditions: dict | None = None,
) -> SourcedQuantity:
    """Return a quantity of a finding of its own; `arm`: what a shared arm contributes."""
    parts = [UncertaintyPart(source="scatter", contribution=own, degrees_of_freedom=freedom)]
    if arm:
        parts.append(UncertaintyPart(source="arm", contribution=arm, shared=True))
    quantity = quantity_from_parts(name, value, unit, parts, conditions=conditions)
    begin_ns = START_NS + int(hours * H) + number
    finding = Finding(
        id=f"{number + round(hours * 1000):032x}",
        kind="made",
        joint="a",
        quantities=(quantity,),
        method=Method(name="made"),
        spans=(FindingSpan(recording="r", from_ns=begin_ns, to_ns=begin_ns + 1),),
        made_ns=begin_ns + 2,
    )
    return SourcedQuantity(
        quantity=quantity,
        finding=finding,
        recording="r",
        started_ns=START_NS,
        conditions=conditions or {},
        running_h=hours,
        is_gone=False,
    )
