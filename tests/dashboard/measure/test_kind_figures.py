"""The figure of each kind, drawn from what its evaluation gives on a simulated bench."""

from collections.abc import Callable

import numpy as np
import pytest

from dashboard.measure.kind_figures import measurement_figure
from dashboard.text.theme import DARK, LIGHT
from replay.measure.evaluate import bench_setup, evaluate_measurement
from replay.measure.setup import BenchSetup
from tests.support.benches.ceiling_bench import draw_ceiling_bench
from tests.support.benches.friction_bench import draw_friction_bench
from tests.support.benches.loop_bench import draw_loop_bench
from tests.support.benches.torque_bench import draw_torque_bench

TIPS = ["arm=344 mm", *(f"tip={12 + at} mm at {force} N" for at, force in
        ((0.5, "+10"), (-0.5, "-10"), (1.0, "+30"), (-1.0, "-30")))]  # fmt: skip


def _loop(dice: np.random.Generator) -> BenchSetup:
    return draw_loop_bench(dice, positions=1, ramp_s=20.0, rate_hz=10.0).setup


BENCHES: dict[str, tuple[str, Callable[[np.random.Generator], BenchSetup]]] = {
    "loop": ("backlash", _loop),
    "tip": (
        "backlash",
        lambda _: bench_setup("backlash", readings=TIPS, divisions={"tip": "0.5 mm"}),
    ),
    "torque": ("torque", lambda dice: draw_torque_bench(dice).setup),
    "ceiling": ("ceiling", lambda dice: draw_ceiling_bench(dice, cause="current")),
    "friction": ("friction", lambda dice: draw_friction_bench(dice, speeds=(0.5, 1.0))[0]),
    "free": (
        "free",
        lambda _: bench_setup(
            "free",
            readings=["arm=200 mm", "forward=14.2 N", "forward=14.4 N", "backward=9.8 N",
                      "backward=9.9 N"],
        ),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BENCHES)
def test_each_kind_is_drawn_in_the_pen_of_its_joint(name: str):
    """Numbers only, within the axes' reach; the pen is the joint's, in both themes."""
    kind, draw = BENCHES[name]
    result = evaluate_measurement(kind, draw(np.random.default_rng(7)))
    for theme in (LIGHT, DARK):
        figure = measurement_figure(kind, result.picture, pen=2, theme=theme)
        assert figure is not None
        assert theme.pen_colour(2) in str(figure["data"])
        for trace in figure["data"]:
            assert len(trace["x"]) == len(trace["y"])
            assert np.isfinite(np.array(trace["x"] + trace["y"], float)).all()


def test_the_loop_has_its_middle_and_its_play():
    """The middle passes between the flanks, the bracket is as wide as the play."""
    result = evaluate_measurement("backlash", _loop(np.random.default_rng(7)))
    figure = measurement_figure("backlash", result.picture, pen=1, theme=LIGHT)
    assert figure is not None
    _, middle = figure["data"]
    assert middle["line"]["dash"] == "dash"
    bracket = figure["layout"]["shapes"][0]
    play = result.picture["loops"][0]["play_arcmin"]
    assert bracket["y1"] - bracket["y0"] == pytest.approx(play)
    flanks = np.interp([-12.0, 12.0], middle["x"], middle["y"])
    assert flanks.sum() == pytest.approx(0.0, abs=0.3)


def test_what_the_lines_leave_stands_below():
    """Loading filled, unloading hollow; a residual for each level that is on a branch."""
    result = evaluate_measurement("torque", draw_torque_bench(np.random.default_rng(7)).setup)
    figure = measurement_figure("torque", result.picture, pen=1, theme=LIGHT)
    assert figure is not None
    below = [trace for trace in figure["data"] if trace.get("yaxis") == "y2"]
    on_branch = sum(one in {-1, 1} for one in result.picture["branch"])
    assert sum(len(trace["x"]) for trace in below) == on_branch
    symbols = {trace["marker"]["symbol"] for trace in below}
    assert symbols == {"circle", "circle-open"}


def test_what_has_no_arrays_has_no_figure():
    """A value that was read off, and a play that was typed."""
    assert measurement_figure("value", {}, pen=1, theme=LIGHT) is None
    assert measurement_figure("backlash", {}, pen=1, theme=LIGHT) is None
