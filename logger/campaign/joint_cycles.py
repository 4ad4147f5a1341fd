"""How the cycles of a joint of a bench are found, by themselves or as a plan says. Pure."""

import numpy as np

from logger.campaign.cycle_plan import CyclePlan, plan_cycles
from logger.campaign.cycle_rule import CycleRule
from logger.campaign.plan_settings import CycleStart
from logger.joint.bench.bench import Bench
from logger.joint.thermal.thermal_model import Winding

__all__ = ["joint_cycle_plan"]


def joint_cycle_plan(bench: Bench, joint: str, start: CycleStart | None) -> CyclePlan | None:
    """Return how cycles of a joint are found; None where it reports nothing that could return.

    `start`: when they begin; None: found by themselves.
    """
    settings = bench.joint_named(joint)
    hold_ns = bench.hold_times_ns_of(settings)
    known = {name: hold_ns[name] for name in bench.channels_of(settings)}
    channel = start.channel if start else None
    if channel is not None and channel not in known:
        return None
    rule = None
    if start is not None and channel is not None and start.above is not None:
        low = start.above - (start.hysteresis or 0.0)
        # Without hysteresis a value at the level itself is above it, never both.
        low = float(np.nextafter(start.above, -np.inf)) if low == start.above else low
        rule = CycleRule(channel=channel, low=low, high=start.above)
    winding = None
    if settings.winding is not None:
        winding = Winding(
            resistance_ohm=settings.winding.resistance_ohm,
            reference_degC=settings.winding.reference_degC,
        )
    return plan_cycles(
        known,
        course=channel,
        rule=rule,
        begins_by_note=start is not None and start.note is not None,
        winding=winding,
    )
