"""The programme in time: what is measured on it is what the joint is made of."""

import numpy as np
import pytest

from logger.simulate.commissioning.bench_run import BenchRun
from logger.simulate.commissioning.geared_joint import ARCMIN_RAD, BENCH_JOINT
from logger.simulate.commissioning.programme import RATED_TORQUE_NM, commissioning_scenes
from replay.measure.kinds.backlash import measure_backlash
from replay.measure.kinds.ceiling import measure_ceiling
from replay.measure.kinds.torque import measure_torque
from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.reading import parse_reading
from replay.measure.result import Measurement
from replay.measure.setup import BenchSetup, JointFacts, SpanTrace

STEP_S = 0.02
FACTS = JointFacts(
    name="wrist", per_ampere=1.62, is_torque_derived=True, gear_ratio=36.0,
    rated_torque=RATED_TORQUE_NM,
)  # fmt: skip
COUNT_RAD = 2.0 * np.pi / 8192 / 36.0


def _scenes(*names: str):
    """Return scenes whose names begin so."""
    return tuple(scene for scene in commissioning_scenes() if scene.name.startswith(names))


def _played(*names: str) -> tuple[BenchRun, list[SpanTrace], list[str]]:
    """Play scenes; return what each recorded, and what was read off as it is typed."""
    run = BenchRun(seed=3, scenes=_scenes(*names))
    spans, typed = [], []
    for scene in run.scenes:
        start_s = run.time_s
        times, rows = [], []
        while run.time_s < start_s + scene.length_s - 1.5 * STEP_S:
            run.advance_to(run.time_s + STEP_S)
            if run.scene is not scene:
                break
            values = {**run.frame_values("axis"), **run.frame_values("output")}
            values |= run.frame_values("asked")
            times.append(run.time_s)
            rows.append({name: float(value[0]) for name, value in values.items()})
        run.advance_to(start_s + scene.length_s)
        typed += [one.words for one in run.take_events() if one.kind == "reading"]
        series = {
            name: (np.array(times), np.array([row[name] for row in rows])) for name in rows[0]
        }
        series = {
            name: (at[np.isfinite(values)], values[np.isfinite(values)])
            for name, (at, values) in series.items()
        }
        at, current = series["current_A"]
        series["torque_Nm"] = (at, 1.62 * current)
        position = series["position_rad"]
        series["position_rad"] = (position[0], np.rint(position[1] / COUNT_RAD) * COUNT_RAD)
        spans.append(
            SpanTrace(
                name=scene.name, recording="bench", start_ns=round(start_s * 1e9),
                end_ns=round((start_s + scene.length_s) * 1e9), series=series,
                grids={"position_rad": COUNT_RAD},
            )
        )  # fmt: skip
    return run, spans, typed


def _quantity(found: Measurement, key: str):
    quantity = found.quantity_named(key)
    assert quantity is not None, key
    return quantity


def test_loops_tell_the_play():
    """Two clamp positions, 7 arcmin."""
    _, spans, _ = _played("loop1", "loop2")
    found = measure_backlash(BenchSetup(joint=FACTS, spans=tuple(spans)))
    play = _quantity(found, "backlash")
    truth = BENCH_JOINT.play_rad / ARCMIN_RAD
    assert play.value == pytest.approx(truth, abs=0.1)
    assert play.low <= truth <= play.high


def test_the_scale_tells_that_the_drive_is_wrong_about_its_torque():
    """1.55 N.m/A where drive and bench file say 1.62."""
    _, spans, typed = _played("to up", "up", "to down", "down")
    assert len(typed) == len([one for one in spans if not one.name.startswith("to ")]) == 19
    rules = PROCEDURES["torque"].readings
    readings = [parse_reading(text, rules) for text in ("arm=344 mm +- 0.5 mm", *typed)]
    found = measure_torque(BenchSetup(joint=FACTS, readings=tuple(readings)))
    per_ampere = _quantity(found, "torque_per_ampere")
    assert per_ampere.low <= BENCH_JOINT.torque_per_ampere_Nm <= per_ampere.high
    assert per_ampere.high < 1.58
    # Four levels were read again after a nudge and stand where they stood: the branches count.
    efficiency = _quantity(found, "efficiency")
    share = BENCH_JOINT.load_friction_share
    truth = 100.0 * ((1.0 - share) / (1.0 + share)) ** 0.5
    assert efficiency.low <= truth <= efficiency.high
    assert not found.unknown


def test_what_holds_each_ceiling_is_named():
    """Clamped, the current; bare, the speed, though the current rests there as well."""
    _, spans, _ = _played("torque1", "speed1")
    found = measure_ceiling(BenchSetup(joint=FACTS, spans=tuple(spans)))
    assert found.answer == ("torque mode is held by current or torque, speed mode is held by speed")


def test_the_same_seed_plays_the_same():
    """Another seed puts the ruler elsewhere."""
    readings = []
    for seed in (1, 1, 2):
        run = BenchRun(seed=seed, scenes=_scenes("tip"))
        run.advance_to(9.0)
        readings.append([one.words for one in run.take_events() if one.kind == "reading"])
    assert readings[0] == readings[1] != readings[2]
    assert readings[0][0].endswith("at +10 N")


def test_the_programme_begins_anew_with_what_is_warm():
    """Names of scenes are unlike, but for the ways between them."""
    run = BenchRun(seed=1, scenes=_scenes("torque1"))
    run.advance_to(run.length_s + 1.0)
    begun = [one.at_s for one in run.take_events() if one.kind == "scene"]
    assert begun == pytest.approx([0.0, run.length_s])
    assert run.winding_degC > 30.0
    names = [one.name for one in commissioning_scenes() if not one.name.startswith("to ")]
    assert len(names) == len(set(names))
