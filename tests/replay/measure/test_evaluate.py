"""From typed texts and named spans of a recording to a result; what does not fit is refused."""

from pathlib import Path

import numpy as np
import pytest

from logger.errors import InputError
from logger.store.repair.keep_finding import keep_finding
from replay.measure.evaluate import bench_setup, evaluate_measurement, expect_measurement
from replay.measure.evidence import NamedSpan
from replay.measure.finding import measurement_finding
from replay.recording import Recording
from tests.support.heat_recordings import START_NS, S, record_channels

SETTINGS = 'torque = { from = "current", per_ampere = 1.83 }\n'


def _span(name: str, begin_s: float, end_s: float) -> NamedSpan:
    return NamedSpan(
        name=name, start_ns=START_NS + round(begin_s * S), end_ns=START_NS + round(end_s * S)
    )


@pytest.fixture(scope="module")
def levels(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Return a recording of ten levels of current, each of 3 s, with a load cell's torque."""
    time_s = np.arange(0, 30.0, 0.1)
    current = np.array([1, 2, 3, 4, 5, 6, 4.9, 3.9, 2.9, 1.9])[(time_s / 3).astype(int)]
    torque = np.where(time_s < 18, 1.8 * current - 0.2, 1.95 * current + 0.1)
    torque = np.where((time_s >= 18) & (time_s < 21), 1.8 * 6 - 0.2, torque)
    return record_channels(
        tmp_path_factory.mktemp("measure") / "levels",
        START_NS + (time_s * S).astype(np.int64),
        {"current_A": current, "torque_sensor_Nm": torque},
        settings=SETTINGS,
    )


def test_levels_are_taken_from_spans_and_a_recorded_load_cell(levels: Recording):
    """The instrument's own log stands for what would be typed; stored torque is judged."""
    spans = [_span(f"level{index}", 3 * index + 0.5, 3 * index + 2.5) for index in range(10)]
    setup = bench_setup(
        "torque", recordings=[levels], spans=spans, channels={"scale": "torque_sensor_Nm"}
    )
    found = evaluate_measurement("torque", setup)
    assert found.joint == "a"
    assert found.quantities[0].value == pytest.approx(np.sqrt(1.8 * 1.95), rel=1e-6)
    off = found.quantity_named("stored_torque_off")
    assert off is not None
    assert off.value == pytest.approx(100 * (1.83 / np.sqrt(1.8 * 1.95) - 1), abs=0.01)


def test_a_level_that_is_recorded_again_after_a_nudge(levels: Recording):
    """`level3-nudged` is read beside level3: it shows that standing is standing."""
    spans = [_span(f"level{index}", 3 * index + 0.5, 3 * index + 1.5) for index in range(10)]
    again = [
        _span(f"level{index}-nudged", 3 * index + 1.6, 3 * index + 2.6) for index in (1, 3, 7, 8)
    ]
    setup = bench_setup(
        "torque", recordings=[levels], spans=spans + again, channels={"scale": "torque_sensor_Nm"}
    )
    found = evaluate_measurement("torque", setup)
    efficiency = found.quantity_named("efficiency")
    assert efficiency is not None
    assert efficiency.value == pytest.approx(100 * np.sqrt(1.8 / 1.95), rel=1e-4)


def test_typed_levels_take_their_current_from_spans(levels: Recording):
    """What a person reads off beside the recording is joined to it by the span's name."""
    spans = [_span(f"up{index}", 3 * index + 0.5, 3 * index + 2.5) for index in range(5)]
    setup = bench_setup(
        "torque",
        recordings=[levels],
        spans=spans,
        readings=[f"scale={1.8 * (index + 1) - 0.2:.3f} N.m at up{index}" for index in range(5)],
    )
    found = evaluate_measurement("torque", setup)
    loading = found.quantity_named("torque_per_ampere_loading")
    assert loading is not None
    assert loading.value == pytest.approx(1.8, rel=1e-6)


def test_a_result_is_kept_as_a_finding(levels: Recording):
    """Quantities with unit, interval and parts by source; the spans and what they are of."""
    spans = [_span(f"level{index}", 3 * index + 0.5, 3 * index + 2.5) for index in range(10)]
    setup = bench_setup(
        "torque", recordings=[levels], spans=spans, channels={"scale": "torque_sensor_Nm"}
    )
    finding = measurement_finding(evaluate_measurement("torque", setup), setup, [levels])
    assert finding is not None
    keep_finding(Path(str(levels.path)), finding)
    (kept,) = levels.read_findings().findings
    assert (kept.kind, kept.joint, len(kept.spans)) == ("torque", "a", 10)
    first = kept.quantities[0]
    assert (first.name, first.unit) == ("torque_per_ampere", "N.m/A")
    assert first.low <= first.value <= first.high


@pytest.mark.parametrize("kind", ["backlash", "torque", "oscillation", "friction", "free", "turns"])
def test_before_the_first_step_a_kind_says_how_narrow_it_can_get(kind):
    """And what would get narrower, the most first."""
    expected = expect_measurement(kind, bench_setup(kind))
    assert expected is not None
    widths = [one.half_width for one in expected.narrower]
    assert widths == sorted(widths)
    assert widths[0] < expected.half_width


@pytest.mark.parametrize(
    ("spans", "words"),
    [
        ([("a", 1, 5), ("b", 4, 6)], "overlapping"),
        ([("a", 1, 5), ("a", 6, 7)], "twice"),
        ([("a", 1, 500)], "within one recording"),
        ([("a", -5, 2)], "within one recording"),
    ],
)
def test_spans_that_overlap_or_lie_outside(levels: Recording, spans, words):
    """One sentence, with the span's name."""
    with pytest.raises(InputError, match=words) as refused:
        bench_setup("torque", recordings=[levels], spans=[_span(*one) for one in spans])
    assert str(refused.value).startswith("--span: ")


def test_torque_without_current(tmp_path: Path):
    """A recording that lacks the current cannot tell what an ampere gives."""
    time_s = np.arange(0, 12.0, 0.1)
    path = record_channels(
        tmp_path / "r",
        START_NS + (time_s * S).astype(np.int64),
        {"torque_Nm": time_s, "speed_rad_s": 0 * time_s},
    )
    setup = bench_setup(
        "torque",
        recordings=[path],
        spans=[_span("up1", 1, 3)],
        readings=["arm=344 mm", "scale=3 kg at up1"],
    )
    with pytest.raises(InputError, match="no current_A"):
        evaluate_measurement("torque", setup)


@pytest.mark.parametrize(
    ("kind", "given", "words"),
    [
        ("torque", {"readings": ["scale=3 kg at up9"]}, "at up9"),
        ("torque", {"divisions": {"ruler": "1 mm"}}, "'ruler'"),
        ("torque", {"divisions": {"scale": "0 g"}}, "greater than 0"),
        ("torque", {"divisions": {"scale": "1 mm"}}, "a mass"),
        ("torque", {"spans": [_span("a", 0, 1)]}, "no recording"),
        ("ceiling", {"channels": {"tip": "length_m"}}, "none for this kind"),
    ],
)
def test_what_does_not_fit_the_kind(kind, given, words):
    """One sentence that begins with the option."""
    with pytest.raises(InputError, match=words) as refused:
        bench_setup(kind, **given)
    assert str(refused.value).startswith("--")


def test_a_span_whose_name_means_nothing_to_the_kind(levels: Recording):
    """A loop is called loop, with a number behind it."""
    with pytest.raises(InputError, match="loop"):
        bench_setup("backlash", recordings=[levels], spans=[_span("ramp1", 1, 2)])
