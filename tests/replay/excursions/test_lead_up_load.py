"""The load before an excursion: over heat's own spans, each with its label."""

import math
from pathlib import Path

import pytest

from logger.importing.import_frames import import_frames
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.excursions.lead_up_load import (
    SpanLoad,
    describe_loads,
    lead_up_loads,
    lead_up_spans_s,
)
from replay.recording import Recording
from replay.statistics import span_statistics

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
THERMAL = """
[[limit]]
name = "image-{number}"
kind = "thermal"
severity = "warning"
joint = "shoulder"
basic = 9.0
heating_s = {tau}
channel = "current_A"
above_percent = 95.0
"""


def _recorded(path: Path, *taus: float, hours: float = 0.25) -> Recording:
    limits = "format = 1\n" + "".join(
        THERMAL.format(number=number, tau=tau) for number, tau in enumerate(taus)
    )
    import_frames(
        simulate_frames(hours=hours, rate_Hz=10.0, seed=3, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=10.0),
        limits=parse_limits(limits, "limits.toml"),
        out=path,
        name="Load",
        start_ns=START_NS,
        end_ns=START_NS + int(hours * 3600e9),
        simulated=True,
    )
    return Recording.open(path)


def test_spans_without_a_time_constant(tmp_path: Path):
    """A minute, ten, an hour; another joint's thermal limit says nothing of this one."""
    recording = _recorded(tmp_path / "rec", 120.0, hours=0.01)
    assert lead_up_spans_s(recording, "elbow") == (60, 600, 3600)


@pytest.mark.parametrize(
    ("taus", "spans_s"),
    [
        ((600.0,), (60, 600, 3600)),
        ((120.0,), (10, 120, 600)),
        ((40.0,), (10, 30, 180)),
        ((5400.0, 300.0), (600, 7200, 21_600)),
        ((1.0,), (10,)),
    ],
)
def test_spans_follow_the_time_constant(
    tmp_path: Path, taus: tuple[float, ...], spans_s: tuple[int, ...]
):
    """A tenth of it, it, five times; round, ascending, each once; of several limits the longest."""
    recording = _recorded(tmp_path / "rec", *taus, hours=0.01)
    assert lead_up_spans_s(recording, "shoulder") == spans_s


def test_a_load_is_that_of_its_span(tmp_path: Path):
    """The RMS of exactly the span; one that reaches beyond the start is what was recorded."""
    recording = _recorded(tmp_path / "rec", 120.0)
    at_ns = START_NS + 500 * S
    ((loads, older),) = lead_up_loads(recording, "shoulder", [at_ns])
    assert [(load.span_s, load.since_start) for load in loads] == [
        (10, False), (120, False), (500, True),
    ]  # fmt: skip
    for load in loads:
        figured = span_statistics(
            recording, "shoulder", "torque_Nm", at_ns - load.span_s * S, at_ns
        )
        assert load.rms_torque_Nm == pytest.approx(figured.rms, rel=1e-9)
    # The keys of before: over what there was, as ever.
    assert set(older) == {60, 300, 900}
    assert older[900] > 1.0


def test_each_load_is_labelled():
    """Never a bare triple; what is not known is left out, and nothing is nothing."""
    loads = [
        SpanLoad(span_s=30, rms_torque_Nm=8.84),
        SpanLoad(span_s=600, rms_torque_Nm=7.0),
        SpanLoad(span_s=7200, rms_torque_Nm=math.nan),
        SpanLoad(span_s=3600, rms_torque_Nm=6.25),
        SpanLoad(span_s=2281, rms_torque_Nm=6.0, since_start=True),
    ]
    assert describe_loads(loads, 18.0) == (
        "8.8 N·m over 30 s, 7.0 N·m over 10 min, 6.2 N·m over 1 h, "
        "6.0 N·m over 38 min since the start (rated 18 N·m)"
    )
    assert describe_loads(loads[:1], None) == "8.8 N·m over 30 s"
    assert describe_loads(loads[2:3], 18.0) == ""
