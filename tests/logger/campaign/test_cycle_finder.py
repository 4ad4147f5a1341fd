"""Cycles found as they come: each once, through pauses and lost turns, in any chunking."""

import math
from collections.abc import Sequence
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.campaign import cycle_finder, open_cycle
from logger.campaign.cycle_finder import CycleFinder
from logger.campaign.cycle_plan import Cycle, CycleKind, CyclePlan, plan_cycles
from logger.campaign.cycle_rule import CycleRule
from logger.campaign.recording_breaks import RecordingBreaks
from logger.joint.batch import ReadingBatch
from logger.joint.thermal.thermal_model import Winding
from tests.logger.campaign.pick_and_place import CYCLE_S, CYCLES, RATE_HZ, S, course, readings

HOLD_NS = {
    "position_rad": S // 10,
    "speed_rad_s": S // 10,
    "torque_Nm": S // 10,
    "current_A": S // 10,
    "temperature_housing_degC": 2 * S,
}
WINDING = Winding(resistance_ohm=0.5)


def _plan(**stated: object) -> CyclePlan:
    plan = plan_cycles(HOLD_NS, winding=WINDING, **stated)
    assert plan is not None
    return plan


def _cycles(
    rows: ReadingBatch, plan: CyclePlan | None = None, cuts: Sequence[int] = ()
) -> list[Cycle]:
    plan, state, found = plan or _plan(), CycleFinder(), []
    for first, last in pairwise([0, *sorted(cuts), len(rows)]):
        cycles, state = state.feed(plan, rows.select_rows(slice(first, last)))
        found += cycles
    return [*found, *state.finish(plan)[0]]


@cache
def _eventful() -> ReadingBatch:
    """Return cycles with a stop within one, rows that are missing, and turns that were lost."""
    moving = course("one peak", 60)
    stop = round(30.6 * RATE_HZ * CYCLE_S)
    position = np.concatenate([moving[:stop], np.full(6000, moving[stop]), moving[stop:]])
    segment = np.zeros(len(position), np.int32)
    lost = stop + 6000 + 10 * round(RATE_HZ * CYCLE_S) + 5
    segment[lost:] = 1
    position = np.where(segment > 0, position + 50.0, position)
    rows = readings(position, segment=segment)
    kept = np.ones(len(rows), bool)
    kept[400:460] = False
    return rows.select_rows(kept)


def _text(cycles: list[Cycle]) -> list[str]:
    return [repr(one) for one in cycles]


def test_every_cycle_is_found_from_the_first_on():
    """Also those before the rule was known; the last is still open."""
    found = _cycles(readings(course("one peak")))
    assert len(found) == CYCLES - 1
    assert [one.number for one in found] == list(range(1, CYCLES))
    assert {one.kind for one in found} == {CycleKind.WHOLE}
    assert {one.end_ns - one.start_ns for one in found} == {4 * S}
    assert all(one.end_ns == after.start_ns for one, after in pairwise(found))


def test_a_stop_missing_rows_and_lost_turns_cost_no_cycle():
    """A stop and a gap make a kind of cycle of their own, never one more or one less."""
    found = _cycles(_eventful())
    assert len(found) == 59
    kinds = {one.number: one.kind for one in found if one.kind is not CycleKind.WHOLE}
    assert kinds == {2: CycleKind.GAP, 31: CycleKind.PAUSED}


def _beginning_missing(missing_s: float) -> tuple[ReadingBatch, int]:
    """Return cycles with rows missing around where the twelfth begins, and the row behind."""
    rows = readings(course("one peak"))
    kept = np.ones(len(rows), bool)
    behind = round((11 * CYCLE_S + 2.2) * RATE_HZ)
    kept[behind - round(missing_s * RATE_HZ) : behind] = False
    return rows.select_rows(kept), behind - round(missing_s * RATE_HZ)


def test_a_cycle_whose_beginning_is_missing_is_not_whole():
    """It is counted from the first reading behind the gap, and may have begun at any time in it."""
    rows, _ = _beginning_missing(1.2)
    found = _cycles(rows)
    assert len(found) == CYCLES - 1
    assert {one.number for one in found if one.kind is not CycleKind.WHOLE} == {11, 12}
    assert {one.kind for one in found[10:12]} == {CycleKind.GAP}


def test_a_short_gap_where_a_cycle_begins_costs_nothing():
    """Less than a tenth of it may be missing, as anywhere else in it."""
    rows = readings(course("one peak"))
    begun = round((_cycles(rows)[11].start_ns - int(rows.time_ns[0])) / S * RATE_HZ)
    kept = np.ones(len(rows), bool)
    kept[begun - 8 : begun + 2] = False
    assert {one.kind for one in _cycles(rows.select_rows(kept))} == {CycleKind.WHOLE}


@pytest.mark.parametrize("missing_s", [1.2, 0.18])
def test_a_finder_that_goes_on_knows_that_a_beginning_is_missing(missing_s: float):
    """From the rows up to the end of the newest cycle, as a finder that never stopped."""
    rows, behind = _beginning_missing(missing_s)
    plan, through = _plan(), _cycles(rows)
    first, state = CycleFinder().feed(plan, rows.select_rows(slice(1500)))
    more, state = state.feed(plan, rows.select_rows(slice(1500, behind + 20)))
    newest = [*first, *more][-1]
    assert newest.number == 11
    again = CycleFinder.after_cycle(
        plan,
        number=newest.number,
        end_ns=newest.end_ns,
        durations_s=tuple((one.end_ns - one.start_ns) / S for one in (*first, *more)),
        rule=state.rule,
        learned_ns=state.learned_ns,
        breaks=RecordingBreaks(),
        before=rows.select_rows(slice(behind + 1)),
    )
    rest, _ = again.feed(plan, rows.select_rows(rows.time_ns >= newest.end_ns))
    assert _text(list(rest)) == _text(through[11:])


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(0, 17_900), max_size=30))
def test_any_chunking_finds_the_same(cuts: list[int]):
    """Cycles and all their figures, to the last bit."""
    assert _text(_cycles(_eventful(), cuts=cuts)) == _text(_whole())


BREAKS_NS = [
    # Between two readings; over several of them; where a cycle begins; one over another.
    *((1300 * 20, 1300 * 20 + 7), (2000 * 20 + 3, 2010 * 20 + 5), (2280 * 20, 2300 * 20)),
    *((3000 * 20, 3050 * 20), (3020 * 20, 3030 * 20)),
]


def _fed_with_breaks(cuts: Sequence[int]) -> tuple[list[Cycle], CycleFinder]:
    """Return the cycles of readings in pieces; each piece brings the breaks that begin in it."""
    rows, plan, found = readings(course("one peak")), _plan(), []
    begin_ns, state = int(rows.time_ns[0]), CycleFinder()
    spans = [(begin_ns + one * 1_000_000, begin_ns + other * 1_000_000) for one, other in BREAKS_NS]
    for first, last in pairwise([0, *sorted({*cuts}), len(rows)]):
        until_ns = int(rows.time_ns[last]) if last < len(rows) else int(rows.time_ns[-1]) + S
        here = [one for one in spans if rows.time_ns[first] <= one[0] < until_ns]
        cycles, state = state.feed(
            plan, rows.select_rows(slice(first, last)), breaks=RecordingBreaks.of(here)
        )
        found += cycles
    return [*found, *state.finish(plan)[0]], state


@settings(max_examples=6, deadline=None)
@given(st.lists(st.integers(1, 5_990), max_size=20))
def test_a_break_of_the_recording_hides_the_same_in_any_chunking(cuts: list[int]):
    """To the last bit; and what lies behind is forgotten."""
    whole, _ = _fed_with_breaks([])
    found, state = _fed_with_breaks([*cuts, 5_900])
    assert _text(found) == _text(whole)
    hidden = {one.number: one.figures["missing_s"] for one in whole if one.figures["missing_s"]}
    assert list(hidden.values()) == pytest.approx([0.02, 0.217, 0.18, 0.24, 1.0])
    assert len(state.breaks) == 0


@cache
def _whole() -> list[Cycle]:
    return _cycles(_eventful())


def test_long_cycles_are_summed_on_the_way(monkeypatch: pytest.MonkeyPatch):
    """Figures are the same however much is held, but for the last bits; memory is bounded."""
    monkeypatch.setattr(open_cycle, "STRETCH_ROWS", 37)
    summed, whole = _cycles(_eventful()), _whole()
    assert [(one.start_ns, one.kind) for one in summed] == [
        (one.start_ns, one.kind) for one in whole
    ]
    for one, other in zip(summed, whole, strict=True):
        for name in ("rms_torque_Nm", "peak_current_A", "driving_work_J", "copper_loss_J"):
            assert one.figures[name] == pytest.approx(other.figures[name], rel=1e-9), name
    cut = _cycles(_eventful(), cuts=range(0, 17_900, 47))
    assert _text(cut) == _text(summed)


def test_what_waits_for_a_rule_is_bounded(monkeypatch: pytest.MonkeyPatch):
    """Hours of rest before the first cycle: the older half is given up, again and again."""
    monkeypatch.setattr(cycle_finder, "MOST_PENDING", 4000)
    rest = np.zeros(20_000)
    rows = readings(np.concatenate([rest, course("one peak")]))
    plan, state, most, found = _plan(), CycleFinder(), 0, []
    for first in range(0, len(rows), 100):
        cycles, state = state.feed(plan, rows.select_rows(slice(first, first + 100)))
        most = max(most, state.pending_rows)
        found += cycles
    assert most <= 4000
    assert len([*found, *state.finish(plan)[0]]) == CYCLES - 1


@pytest.mark.parametrize(
    ("factor", "offset", "lost"), [(0.3, 0.0, 5), (0.3, 4.0, 5), (1.0, 40.0, 0), (3.0, 0.0, 0)]
)
def test_another_movement_is_learned(factor: float, offset: float, lost: int):
    """At once where it is beyond the range of the one before; within it five cycles are lost."""
    moved = factor * course("one peak", 60) + offset
    found = _cycles(readings(np.concatenate([course("one peak"), moved])))
    assert len(found) == CYCLES + 60 - 1 - lost
    assert sum(one.kind is not CycleKind.WHOLE for one in found) == (1 if lost else 0)


def test_a_stated_level_needs_no_learning():
    """One cycle is found at once."""
    rule = CycleRule(channel="position_rad", low=4.0, high=6.0)
    found = _cycles(readings(course("one peak", 3)), _plan(rule=rule))
    assert len(found) == 2


def test_somebody_may_say_where_cycles_begin():
    """At any instant, between readings too."""
    rows = readings(course("one peak"))
    plan = _plan(begins_by_note=True)
    marks = rows.time_ns[0] + np.array([1, 9, 30], np.int64) * S + 3
    found, _ = CycleFinder().feed(plan, rows, starts_ns=marks)
    assert [(one.start_ns, one.end_ns) for one in found] == list(pairwise(marks.tolist()))
    assert found[0].figures["cycle_time_s"] == 8.0


def test_figures_are_those_of_the_rows():
    """Weighted by time; both ways apart; friction where it moves at constant speed both ways."""
    cycle = _whole()[10]
    rows = _eventful()
    inside = (rows.time_ns >= cycle.start_ns) & (rows.time_ns < cycle.end_ns)
    columns = {name: values[inside] for name, values in rows.columns.items()}
    torque, speed = columns["torque_Nm"], columns["speed_rad_s"]
    figures = cycle.figures
    step_s = 1.0 / RATE_HZ
    forward = speed > 0.02 * np.abs(speed).max()
    power = torque * speed
    assert figures["rms_torque_Nm"] == pytest.approx(np.sqrt(np.mean(torque**2)))
    assert figures["peak_torque_Nm"] == 7.0
    assert figures["rms_torque_forward_Nm"] == pytest.approx(np.sqrt(np.mean(torque[forward] ** 2)))
    assert figures["peak_torque_backward_Nm"] == 3.0
    assert figures["driving_work_J"] == pytest.approx(power[power > 0].sum() * step_s)
    assert figures["braking_work_J"] == pytest.approx(-power[power < 0].sum() * step_s)
    assert figures["copper_loss_J"] == pytest.approx(
        0.5 * (columns["current_A"] ** 2).sum() * step_s
    )
    assert figures["friction_Nm"] == pytest.approx(2.0)
    assert figures["friction_A"] == pytest.approx(2.0 / 1.6)
    assert 40.0 < figures["peak_temperature_degC"] < 41.0
    assert tuple(figures) == _plan().figures


def test_what_is_not_known_has_no_figure():
    """A joint that reports its torque only; friction of a move that never has constant speed."""
    plan = plan_cycles({"torque_Nm": S // 10})
    assert plan is not None
    assert plan.figures == ("cycle_time_s", "missing_s", "rms_torque_Nm", "peak_torque_Nm")
    assert plan_cycles({"voltage_V": S}) is None
    time_s = np.arange(len(course("one peak"))) / RATE_HZ
    bent = _cycles(readings(5.0 - 5.0 * np.cos(2 * math.pi * time_s / CYCLE_S)))
    assert math.isnan(bent[3].figures["friction_Nm"])


@pytest.mark.parametrize(("name", "seed"), [("two peaks", 1), ("two steps", 8)])
def test_stops_anywhere_and_turns_lost_cost_no_cycle(name: str, seed: int):
    """Eight stops of up to five minutes at any place of a cycle, two of them with turns lost."""
    rng = np.random.default_rng(seed)
    moving = course(name, 200) + 0.02 * rng.normal(size=200 * 200)
    stops = np.sort(rng.choice(np.arange(2000, len(moving) - 2000), 8, replace=False))
    parts, segments, zero, segment, at = [], [], 0.0, 0, 0
    for number, stop in enumerate([*stops.tolist(), len(moving)]):
        rest = int(rng.integers(50, 15_000)) if stop < len(moving) else 0
        still = np.full(rest, moving[stop - 1]) + 0.02 * rng.normal(size=rest)
        parts.append(np.concatenate([moving[at:stop], still]) + zero)
        segments.append(np.full(len(parts[-1]), segment, np.int32))
        at = stop
        if number % 3 == 2:
            zero, segment = zero + float(20.0 * rng.normal()), segment + 1
    found = _cycles(readings(np.concatenate(parts), segment=np.concatenate(segments)))
    assert len(found) == 199
    assert sum(one.kind is CycleKind.WHOLE for one in found) in {191, 192}


def test_a_few_readings_about_another_zero_end_no_cycle():
    """Where a recording ends just after an encoder lost its turns."""
    rows = _eventful()
    lost = int(np.flatnonzero(np.diff(rows.position_segment))[0]) + 1
    before = _cycles(rows.select_rows(slice(lost)))
    assert len(_cycles(rows.select_rows(slice(lost + 3)))) == len(before)
