"""Torque per ampere: branches, their root, what is not known, coverage over many benches."""

import numpy as np
import pytest

from logger.errors import InputError
from replay.measure.evaluate import bench_setup, evaluate_measurement, expect_measurement
from replay.measure.kinds.torque import measure_torque
from tests.support.benches.torque_bench import draw_torque_bench


def _measured(*readings: str, **divisions: str):
    setup = bench_setup("torque", readings=readings, divisions=divisions)
    return evaluate_measurement("torque", setup)


def test_a_mass_at_an_arm():
    """3.25 kg at 344 mm is 10.96 N.m; 2.5 kg at 0.4 m 9.80665; 5 kg, 0.75 m, 30 deg 31.848."""
    assert _measured("arm=344 mm", "scale=3.25 kg").quantities[0].value == pytest.approx(
        10.96, abs=0.005
    )
    assert _measured("arm=0.4 m", "scale=2.5 kg").quantities[0].value == pytest.approx(9.80665)
    raised = _measured("arm=0.75 m", "scale=5 kg", "angle=30 deg").quantities[0].value
    assert raised == pytest.approx(31.8480301)


def test_a_known_torque_stands_for_the_arm():
    """1.49 kg giving 12.5 N.m implies 3.78 kg giving 31.7 N.m on the same arm, within 0.5 %."""
    found = _measured("scale=1.49 kg at 12.5 N.m", "scale=3.78 kg", scale="10 g")
    assert found.quantities[0].value == pytest.approx(31.7, rel=0.005)
    assert found.unknown[0].why.code == "no current"


def test_exact_levels_give_the_gear_back():
    """Without rounding: root, efficiency, friction and the dead band behind the turn."""
    bench = draw_torque_bench(np.random.default_rng(1), division_g=0.001)
    found = measure_torque(bench.setup)
    for name, true, near in (
        ("torque_per_ampere", bench.per_ampere, 0.01),
        ("efficiency", 100 * bench.efficiency, 1e-4),
        ("friction_torque", bench.friction_Nm, 0.01),
    ):
        quantity = found.quantity_named(name)
        assert quantity is not None
        assert quantity.value == pytest.approx(true, rel=near)
    # Levels right after the turn lie on no branch.
    assert 0 in found.picture["branch"]


def test_what_stands_still_is_not_believed_without_a_nudge():
    """The root holds; the branches, efficiency and friction are not known, and why is said."""
    bench = draw_torque_bench(np.random.default_rng(1), dither=0.6)
    found = measure_torque(bench.setup)
    assert [one.of.name for one in found.quantities] == ["torque_per_ampere"]
    assert {one.why.code for one in found.unknown} == {"relaxed"}
    calm = draw_torque_bench(np.random.default_rng(1)).setup.readings
    texts = [f"{one.name}={one.text}" for one in calm if one.name in {"arm", "scale"}]
    assert {one.why.code for one in _measured(*texts, scale="10 g").unknown} == {"not nudged"}


def test_a_nudge_repeats_the_reading_that_it_followed():
    """Up and down come to the same currents: 4 A has two readings, and one nudge of each."""
    up, down = np.arange(1.0, 9.0), np.arange(7.0, 0.0, -1.0)
    levels = [(at, 1.8 * at - 0.3) for at in up] + [(at, 2.0 * at + 0.3) for at in down]
    levels[8] = (7.0, levels[7][1])  # right after the turn the scale stands
    readings = []
    for place, (at, torque) in enumerate(levels):
        readings.append(f"scale={torque:.2f} N.m at {at:g} A")
        if place in {2, 5, 10, 13}:
            readings.append(f"nudged={torque:.2f} N.m at {at:g} A")
    found = _measured(*readings, scale="0.01 N.m", nudged="0.01 N.m")
    efficiency = found.quantity_named("efficiency")
    assert efficiency is not None
    assert efficiency.value == pytest.approx(100.0 * (1.8 / 2.0) ** 0.5, rel=0.01)


def test_four_levels_up_and_three_down_are_enough_for_a_line():
    """Too few to see a curvature, and no curvature is looked for."""
    levels = [(1, 1.0), (2, 2.0), (3, 3.0), (4, 4.0), (3, 3.2), (2, 2.2), (1, 1.2)]
    readings = [f"scale={kilograms} kg at {ampere} A" for ampere, kilograms in levels]
    found = _measured("arm=344 mm", *readings, scale="10 g")
    assert found.quantities[0].of.name.startswith("torque_per_ampere")


def test_stored_torque_that_was_wrong_is_told():
    """The bench file says 1.83, the scale 1.9: what the pages show is 3.7 % low."""
    bench = draw_torque_bench(np.random.default_rng(1), division_g=1.0)
    joint = type(bench.setup.joint)(name="a", per_ampere=1.83)
    setup = type(bench.setup)(joint=joint, readings=bench.setup.readings)
    off = measure_torque(setup).quantity_named("stored_torque_off")
    assert off is not None
    low, high = off.interval
    assert low < 100 * (1.83 / 1.9 - 1) < high


def test_saturation_is_seen_and_the_small_slope_told():
    """6 % less at full load: a straight line would be 6 % wrong."""
    bench = draw_torque_bench(np.random.default_rng(1), saturation=0.06)
    found = measure_torque(bench.setup)
    assert [one.code for one in found.remarks] == ["saturates"]
    low, high = found.quantities[0].interval
    assert low < bench.per_ampere < high


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (["arm=344 mm"], "no 'scale'"),
        (["scale=3 kg at 6 A"], "no 'arm'"),
        (["arm=344 mm", "scale=3 kg at 1 A", "scale=2 N at 2 A"], "one unit"),
        (["arm=344 mm", "scale=1 kg at 1 A", "scale=2 kg"], "with and without a current"),
        (["arm=344 mm", "scale=1 kg at 1 A", "scale=2 kg at 2 A"], "at least three"),
        (["arm=344 mm", "scale=1 kg at 1 A", "scale=2 kg at -2 A"], "both signs"),
        (["arm=344 mm", "scale=1 kg", "angle=85 deg"], "of level"),
        (["scale=1.49 kg at 12.5 N.m"], "one more"),
        (["scale=0 kg at 12.5 N.m", "scale=1 kg"], "stands for the arm"),
    ],
)
def test_what_is_missing_is_named(readings, words):
    """One sentence each."""
    with pytest.raises(InputError, match=words) as refused:
        _measured(*readings)
    assert "\n" not in str(refused.value)


def test_before_the_first_step_a_coarse_scale_is_told_to_be_useless():
    """200 g at 344 mm against 10 g."""
    coarse, fine = (
        expect_measurement(
            "torque",
            bench_setup("torque", readings=["arm=344 mm"], divisions={"scale": division}),
        )
        for division in ("200 g", "10 g")
    )
    assert coarse is not None
    assert fine is not None
    assert coarse.half_width > 4 * fine.half_width
    assert "tenth" in coarse.narrower[0].words


def _coverage(benches: int, **settings: float) -> dict[str, tuple[float, float, float]]:
    """Return for each quantity: share of benches told, of intervals that hold, mean width."""
    dice = np.random.default_rng(3)
    held: dict[str, list[tuple[bool, float]]] = {}
    for _ in range(benches):
        bench = draw_torque_bench(dice, **settings)
        found = measure_torque(bench.setup)
        for name, true in (
            ("torque_per_ampere", bench.per_ampere),
            ("torque_per_ampere_loading", bench.loading),
            ("torque_per_ampere_unloading", bench.unloading),
            ("friction_torque", bench.friction_Nm),
        ):
            quantity = found.quantity_named(name)
            if quantity is not None:
                low, high = quantity.interval
                held.setdefault(name, []).append((low <= true <= high, (high - low) / true))
    return {
        name: (
            len(rows) / benches,
            float(np.mean([one for one, _ in rows])),
            float(np.median([width for _, width in rows])),
        )
        for name, rows in held.items()
    }


def test_intervals_hold_the_truth():
    """80 benches with a scale of 10 g; the study of 400 a case is slow."""
    found = _coverage(80)
    assert all(cover >= 0.86 for _, cover, _ in found.values())
    assert found["torque_per_ampere"][2] < 0.017


@pytest.mark.study
@pytest.mark.parametrize(
    ("settings", "width"),
    [
        ({}, 0.017),
        ({"division_g": 1.0}, 0.016),
        ({"division_g": 50.0}, 0.04),
        ({"friction_Nm": 1.0}, 0.02),
        ({"friction_Nm": 1.0, "levels": 16}, 0.017),
        ({"dither": 0.6}, 0.09),
        ({"dither": 0.6, "levels": 20}, 0.05),
        ({"saturation": 0.06}, 0.12),
    ],
)
def test_coverage_of_400_benches(settings, width):
    """The root always; the branches where standing is standing, and never where it is not."""
    found = _coverage(400, **settings)
    told, cover, wide = found["torque_per_ampere"]
    assert told == 1.0
    assert cover >= 0.92
    assert wide < width
    for name, (share, held, _) in found.items():
        assert held >= 0.92, name
        if name != "torque_per_ampere" and "dither" in settings:
            assert share <= 0.01
