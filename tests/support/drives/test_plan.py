"""Over many seeds, drives are everything that they can be."""

from collections import Counter
from functools import cache

import numpy as np

from tests.support.drives import DrivePlan, Meaning, SignForm, plan_drive
from tests.support.drives.checksums import POLYNOMIALS
from tests.support.drives.motion import motion_of, neighbour_motion
from tests.support.drives.numbers import FieldPlan
from tests.support.drives.plan import KindPlan
from tests.support.drives.quantities import TEMPERATURE_SCALES

MANY = 200


@cache
def plan_of(seed: int) -> DrivePlan:
    """Return a drive of the main set, planned once for all tests."""
    return plan_drive(seed)


def options_of(seed: int) -> set[str]:
    """Return which options a drive of the main set has."""
    plan = plan_of(seed)
    status = [kind for kind in plan.kinds if not kind.is_request]
    fields = [field for kind in plan.kinds for field in kind.fields]
    identifiers = {kind.identifier for kind in status}
    found = {
        f"{len(status)} kinds",
        f"{len(identifiers)} identifiers",
        f"extended {plan.is_extended}",
        f"lost {plan.lost_share}",
        f"by hand {plan.motion.is_by_hand}",
        f"positive {plan.motion.positive}",
        f"{len(plan.neighbour_motions)} neighbours",
        f"answering {plan.is_answering}",
        f"request {len(status) < len(plan.kinds)}",
        f"long {max(kind.length for kind in plan.kinds) > 8}",
        *plan.neighbour_motions,
    }
    for kind in plan.kinds:
        found.add(f"multiplexer of {len(kind.selector_places)}")
        found.add(f"multiplexer first {kind.selector_places[:1] in ((), (0,))}")
        if kind.counter_places:
            found.add(f"counter of {len(kind.counter_places)}")
            found.add(f"counter per identifier {plan.counter_per_identifier}")
        if kind.checksum is not None:
            check = kind.checksum
            found.add(check.family if not check.polynomial else f"crc {check.polynomial:#x}")
            found.add(f"{check.family} start {check.start > 0} final {check.final_xor > 0}")
            found.add(f"checksum with identifier {check.identifier_form}")
            found.add(f"checksum of all {len(check.covered) == kind.length - 1}")
    orders = {field.order for field in fields if field.bits > 8}
    found.add(" and ".join(sorted(orders)))
    for field in fields:
        found |= {field.meaning.value, field.sign_form.value, f"{field.bits} bits"}
        found |= {f"split {field.is_split}", f"set-point {field.is_setpoint}"}
        if field.meaning is Meaning.POSITION and not field.is_setpoint:
            found.add(f"position at {field.side.value}, wraps {field.wrap_counts is not None}")
        if field.meaning is Meaning.SPEED:
            found.add(f"speed at {field.side.value}")
        if field.is_setpoint:
            found.add(f"set-point among requests {field not in fields_of(status)}")
        if field.meaning is Meaning.TEMPERATURE:
            found.add(f"temperature {field.scale} {field.offset}")
    temperatures = sum(field.meaning is Meaning.TEMPERATURE for field in fields)
    return found | {f"{temperatures} temperatures"}


def fields_of(kinds: list[KindPlan]) -> list[FieldPlan]:
    """Return the fields of all kinds."""
    return [field for kind in kinds for field in kind.fields]


def test_every_option_occurs_among_many_seeds():
    """What the drives can be, they are, and none of it only once."""
    found = Counter(option for seed in range(MANY) for option in options_of(seed))
    expected = {
        *(f"{count} kinds" for count in range(1, 5)),
        *(f"{count} identifiers" for count in range(1, 4)),
        *(f"{count} neighbours" for count in range(4)),
        *(f"{count} temperatures" for count in range(1, 6)),
        *(f"counter of {bits}" for bits in range(2, 9)),
        *(f"lost {share}" for share in (0.0, 0.001, 0.01)),
        *(f"multiplexer of {bits}" for bits in (0, 4, 8)),
        *(f"crc {polynomial:#x}" for polynomial in POLYNOMIALS),
        *(f"crc8 start {first} final {last}" for first in (True, False) for last in (True, False)),
        *(f"checksum with identifier {form}" for form in ("", "low", "little", "big")),
        *(f"temperature {scale} {offset}" for scale, offset in TEMPERATURE_SCALES),
        *(f"{bits} bits" for bits in (8, 10, 12, 13, 14, 16, 20, 24, 32)),
        *(form.value for form in SignForm),
        *(meaning.value for meaning in Meaning),
        *("positive 1", "positive -1", "still", "between", "unannounced", "xor", "sum"),
        *("little", "big", "big and little", "speed at motor", "speed at output"),
    }
    yes_or_no = (
        *("extended", "by hand", "request", "answering", "long", "split", "set-point"),
        *("checksum of all", "counter per identifier", "multiplexer first"),
        *("set-point among requests", "position at motor, wraps", "position at output, wraps"),
    )
    for word in yes_or_no:
        expected |= {f"{word} True", f"{word} False"}
    rare = {option: found[option] for option in expected if found[option] < 2}
    assert not rare


def test_gears_and_rates_are_as_wide_as_said():
    """Gears 6 to 160; the quickest kind of a drive comes 50 to 1000 times a second."""
    plans = [plan_of(seed) for seed in range(MANY)]
    gears = [plan.joint.gear for plan in plans]
    rates = [max(kind.rate for kind in plan.kinds) for plan in plans]
    assert 6 <= min(gears) < 10
    assert 120 < max(gears) <= 160
    assert 50 <= min(rates) < 70
    assert max(rates) == 1000


def test_neighbours_move_when_their_kind_says():
    """Those that move between the steps stand still in them; the unannounced one does not."""
    for how in ("between", "unannounced", "still"):
        seed = next(at for at in range(MANY) if how in plan_of(at).neighbour_motions)
        plan = plan_of(seed)
        motion = motion_of(plan.motion, warm_s=30.0)
        other = neighbour_motion(np.random.default_rng(seed), motion, how)
        steps = motion.steps
        during = [
            np.ptp(other.angle_rad[(motion.time_s > begin + 0.5) & (motion.time_s < end)])
            for begin, end in (steps.rest, steps.turn, steps.load, steps.warm)
        ]
        whole = np.ptp(other.angle_rad)
        assert (max(during) < 0.01) == (how != "unannounced")
        assert (whole < 0.01) == (how == "still")
