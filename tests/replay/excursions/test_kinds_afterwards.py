"""Limits of every kind from frames to events, and the same again from the recording's rows."""

from pathlib import Path

import pytest

from logger.importing.import_frames import import_frames
from logger.limits.limit import check_for_bench, parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.excursions.applied_limits import recorded_limits
from replay.excursions.over_rows import evaluate_joint, find_excursions
from replay.excursions.recorded import excursions_from_alerts, recorded_excursions
from replay.recording import Recording
from tests.support.same_excursions import in_channels, under_others

START_NS = 1_795_000_000_000_000_000
LIMITS = """
format = 1
[[limit]]
name = "loaded"
kind = "level"
severity = "warning"
channel = "current_A"
above_rated = 0.5
off_delay_s = 1.5
[[limit]]
name = "band"
kind = "level"
severity = "warning"
channel = "speed_rad_s"
outside = [-0.4, 0.4]
inside = [-0.2, 0.2]
off_delay_s = 1.5
[[limit]]
name = "curve"
kind = "inverse-time"
severity = "trip"
channel = "current_A"
curve = "C"
setting = 2.0
tms = 0.02
off_delay_s = 1.5
[[limit]]
name = "image"
kind = "thermal"
severity = "warning"
channel = "current_A"
basic = 3.0
heating_s = 60.0
above_percent = 50.0
[[limit]]
name = "rise"
kind = "rate"
severity = "warning"
channel = "temperature_housing_degC"
rise_per_min = 1.0
over_s = 60.0
drop_off_per_min = 0.1
[[limit]]
name = "astray"
kind = "tracking"
severity = "warning"
channel = "position_rad"
above = 0.05
drop_off = 0.01
off_delay_s = 1.5
[[limit]]
name = "shaking"
kind = "oscillation"
severity = "warning"
channel = "current_A"
above = 0.2
drop_off = 0.1
band_Hz = [0.5, 4.0]
[[limit]]
name = "frozen"
kind = "frozen"
severity = "warning"
channel = "temperature_housing_degC"
load = "current_A"
load_above = 1.0
smoothing_s = 20.0
on_delay_s = 5.0
[[limit]]
name = "touch"
kind = "touch"
severity = "warning"
contact_s = 600.0
above = 45.0
[[limit]]
name = "silent"
kind = "silence"
severity = "warning"
after_s = 0.5
"""


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Ten simulated minutes of the demo's joints, watched by a limit of every kind."""
    bench = scenario.scenario_bench(channel="x", rate_Hz=50.0)
    limits = parse_limits(LIMITS, "limits.toml")
    check_for_bench(limits, bench, "limits.toml")
    out: Path = tmp_path_factory.mktemp("kinds") / "rec"
    import_frames(
        simulate_frames(hours=1 / 6, rate_Hz=50.0, seed=5, start_ns=START_NS),
        bench=bench,
        limits=limits,
        out=out,
        name="kinds",
        start_ns=START_NS,
        end_ns=START_NS + 600 * 10**9,
    )
    return Recording.open(out)


def test_afterwards_is_found_what_was_raised(recording: Recording):
    """Every raise and return of the events, and no other, comes out of the stored rows."""
    told = sorted(
        (event.joint, event.time_ns, event.limit, event.kind)
        for event in recording.read_events()
        if event.kind in {"raised", "returned"} and event.joint
    )
    again = sorted(
        (joint, change.time_ns, change.limit, change.kind)
        for joint in recording.joints
        for change in evaluate_joint(recording, recording.limit_sets, joint).changes
    )
    assert again == told
    kinds = {limit for _, _, limit, _ in told}
    assert kinds >= {"band", "curve", "image", "rise", "frozen", "touch"}, kinds


def test_excursions_tell_a_peak_of_every_kind(recording: Recording):
    """A peak is never less than where it picked up, ongoing or not."""
    found = find_excursions(recording)
    least = {"band": 0.4, "image": 0.5, "rise": 1.0, "touch": 45.0, "curve": 2.0, "astray": 0.05}
    assert found
    for one in found:
        assert abs(one.peak) >= least.get(one.limit, 0.0), one


def test_what_stands_at_the_end_tells_how_far_it_went(recording: Recording):
    """Of a thermal image and a rise as of a channel: not the value at which it was raised."""
    begun = {
        (event.joint, event.limit, event.time_ns): event.value
        for event in recording.read_events()
        if event.kind == "raised"
    }
    standing = [one for one in find_excursions(recording) if one.ongoing and one.limit == "image"]
    assert standing
    for one in standing:
        assert one.peak > begun[one.joint, one.limit, one.start_ns]
        assert one.peak_text == f"{one.peak * 100:.1f}".rstrip("0").rstrip(".") + " %"


def test_the_events_tell_what_the_rows_do(recording: Recording):
    """Of every kind: onset, instants, peaks, what led up; to the last digit."""
    found = find_excursions(recording)
    assert len({one.limit for one in found}) == 9
    assert recorded_excursions(recording) == found


def test_a_peak_that_nobody_kept_says_so(recording: Recording):
    """Of what has no channel and stands at the end: the events know where it was raised."""
    listed = excursions_from_alerts(recording, recorded_limits(recording))
    kept = {one.limit for one in listed if one.peak_at_raise}
    assert kept
    assert kept == {one.limit for one in listed if one.ongoing and not one.channel}


def test_under_others_as_under_the_same(recording: Recording):
    """Worked out by the short ways: the same but for peaks that are in no channel's unit."""
    sets = recording.limit_sets
    found = under_others(recording, sets[-1][1])
    assert in_channels(found) == in_channels(find_excursions(recording))
    assert [(one.limit, one.onset_ns, one.start_ns) for one in found] == [
        (one.limit, one.onset_ns, one.start_ns) for one in find_excursions(recording)
    ]
