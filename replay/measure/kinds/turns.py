"""Gear ratio, direction and whether turns are kept, from a commanded motion and back. Pure."""

import math
from typing import Any, Final

import numpy as np

from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from replay.measure.procedure import Fact
from replay.measure.result import (
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    UnknownResult,
    bare_quantity,
    student_quantity,
)
from replay.measure.setup import BenchSetup, SpanTrace

__all__ = ["measure_turns"]

TURN: Final = 2.0 * math.pi
GEAR_RATIO: Final = QuantityKind("gear_ratio", "gear ratio, motor turns for one of the output", "1")
MOVED: Final = QuantityKind("moved", "reported motion", "rad")
RETURN: Final = QuantityKind("return_error", "left at the mark after the way back", "rad")
TURNS_METHOD: Final = Fact("counted turns", "turns that were seen against turns that were reported")
TURNS_SOURCE: Final = "common practice"
RIGHT_WAY: Final = Fact("right way", "It turns the way that its set-point asks for.")
WRONG_WAY: Final = Fact(
    "wrong way",
    "It turns against its set-point: `reversed` of the bench file is wrong, or a sign of the "
    "layout.",
)
RESTARTED: Final = Fact(
    "restarted",
    "The position began anew within the motion: the counter met its end, or turns were lost.",
)
KEPT: Final = Fact("turns kept", "Turns are kept over the power cycle.")
LOST: Final = Fact(
    "turns lost", "Turns are lost over the power cycle: the position comes back whole turns off."
)
COUNTED_ALIKE: Final = Fact(
    "counted alike", "The bench file's gear ratio was used to tell motor turns at the output."
)
NOT_COUNTED: Final = Fact("not counted", "nobody said how far the output turned")
COUNT_THEM: Final = Fact(
    "count them",
    "Count the turns of the mark and type them: --reading 'turned=5 turn +- 5 deg at out'.",
)
NO_CYCLE: Final = Fact("no cycle", "no spans `before` and `after` a power cycle")
CYCLE: Final = Fact("cycle", "Stand at the mark, switch the drive off and on, stand there again.")
KEEPING: Final = QuantityKind("turns_kept", "whether turns are kept over a power cycle", "1")


def measure_turns(setup: BenchSetup) -> Measurement:
    """Return gear ratio and direction from the span `out`, and what `back`, `before`, `after` add.

    Raises
    ------
    InputError
        There is no motion of a turn, or no position.
    """
    outs = setup.spans_in_role("out")
    if not outs:
        raise InputError(
            "found no 'out', expected the motion of several turns.",
            where="--span",
            hint="Name it: --span out=10s..30s.",
        )
    setup.require_channels(setup.spans, "position_rad")
    out = outs[0]
    moved, quantities, unknown = _reported_motion(out), [], []
    if abs(moved) < TURN:
        raise InputError(
            f"found a motion of {abs(moved) / TURN:.2f} turns, "
            "expected at least one, better five: each adds a digit.",
            where=f"{out.recording}: span {out.name!r}",
        )
    remarks = [RESTARTED] if out.segments > 1 else []
    seen, u_seen, by = _seen_turns(setup, out)
    step = out.grids.get("position_rad", 0.0)
    if seen is None:
        unknown.append(UnknownResult(of=GEAR_RATIO, why=NOT_COUNTED, steps=(COUNT_THEM,)))
        quantities.append(bare_quantity(MOVED, moved))
    elif not remarks:
        quantities.append(_ratio(setup, moved, seen, u_seen, step))
    direction = _direction(out)
    if direction:
        remarks.append(RIGHT_WAY if direction > 0 else WRONG_WAY)
    backs = setup.spans_in_role("back")
    if backs:
        quantities.append(bare_quantity(RETURN, _end_of(backs[0]) - _begin_of(out)))
    kept, cycle = _power_cycle(setup)
    if kept is None:
        unknown.append(UnknownResult(of=KEEPING, why=NO_CYCLE, steps=(CYCLE,)))
    else:
        remarks.append(KEPT if kept else LOST)
    return Measurement(
        kind="turns",
        joint=setup.joint.name,
        method=TURNS_METHOD,
        source=TURNS_SOURCE,
        answer=" ".join(one.words for one in remarks).rstrip("."),
        quantities=tuple(quantities),
        unknown=tuple(unknown),
        remarks=tuple(remarks),
        assumptions=(COUNTED_ALIKE,) if setup.joint.gear_ratio != 1.0 else (),
        instruments=(by,) if by else (),
        picture={"moved_rad": moved, **cycle},
        extra={"direction": direction, "turns_kept": kept, **cycle},
    )


def _begin_of(span: SpanTrace) -> float:
    values = span.channel("position_rad")[1]
    return float(np.median(values[: max(len(values) // 20, 1)]))


def _end_of(span: SpanTrace) -> float:
    values = span.channel("position_rad")[1]
    return float(np.median(values[-max(len(values) // 20, 1) :]))


def _reported_motion(span: SpanTrace) -> float:
    return _end_of(span) - _begin_of(span)


def _seen_turns(setup: BenchSetup, out: SpanTrace) -> tuple[float | None, float, str]:
    """Return how far the output was seen to turn, its standard uncertainty, and by what."""
    typed = [one for one in setup.readings_named("turned") if one.at_span in {"", out.name}]
    if typed:
        one = typed[0]
        return one.value, one.stated_uncertainty or one.division_uncertainty, f"turned {one.text}"
    channel = setup.channels.get("output")
    if channel:
        values = out.channel(channel)[1]
        if len(values) < 2:
            raise InputError(
                f"found no {channel}, expected it recorded.",
                where=f"{out.recording}: span {out.name!r}",
            )
        return float(values[-1] - values[0]), 0.0, channel
    return None, 0.0, ""


def _ratio(
    setup: BenchSetup, moved: float, seen: float, u_seen: float, step: float
) -> MeasuredQuantity:
    """Return the ratio that makes what was reported what was seen."""
    value = setup.joint.gear_ratio * abs(moved / seen)
    if u_seen <= 0.0 and step <= 0.0:
        return bare_quantity(GEAR_RATIO, value)
    return student_quantity(
        GEAR_RATIO,
        value,
        (
            UncertaintyPart(source="turns seen", contribution=value * u_seen / abs(seen)),
            UncertaintyPart(
                source="encoder count", contribution=value * step / math.sqrt(6.0) / abs(moved)
            ),
        ),
    )


def _direction(out: SpanTrace) -> int:
    """Return 1 where position follows its set-point, -1 where it goes against it, 0: not known."""
    for asked, came in (
        ("position_setpoint_rad", None),
        ("speed_setpoint_rad_s", 0.0),
    ):
        values = out.channel(asked)[1]
        if len(values) < 2:
            continue
        wanted = float(values[-1] - values[0]) if came is None else float(values.mean())
        if abs(wanted) > 1e-9:
            return 1 if wanted * _reported_motion(out) > 0.0 else -1
    return 0


def _power_cycle(setup: BenchSetup) -> tuple[bool | None, dict[str, Any]]:
    """Return whether turns are kept, and by how many whole turns the position came back off."""
    before, after = setup.spans_in_role("before"), setup.spans_in_role("after")
    if not before or not after:
        return None, {}
    off = _begin_of(after[0]) - _end_of(before[0])
    # A single-turn encoder sits at the motor: it comes back by whole turns of that.
    own = TURN / setup.joint.gear_ratio if setup.joint.is_position_of_motor else TURN
    turns = round(off / own)
    return turns == 0, {"off_by_turns": turns, "left_rad": off - turns * own}
