"""Live with many joints, in words: tiles, buses, alerts, what is drawn."""

from collections.abc import Sequence
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from dashboard.figures.pens import choose_pens
from dashboard.live.joint_facts import JointFacts, joint_facts
from dashboard.live.json_patch import diff_values
from dashboard.live.snapshot import BusFacts, LatestValues, SlowValues
from dashboard.live.status import live_status
from dashboard.live.wire_messages import Status
from logger.joint.batch import FrameBatch
from logger.limits.lifecycle import Alert
from logger.limits.limit import parse_limits
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording
from replay.urgency import JointState
from tests.support import many_joints

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
NAMES = [joint.name for joint in many_joints.JOINTS]
NOW_NS = START_NS + 60 * S
HEAT = "temperature_housing_degC"


class Running:
    """A recording that is still written, with alerts of our own."""

    def __init__(self, whole: Recording, alerts: Sequence[Alert], *, live: bool) -> None:
        self._whole = whole
        self._alerts = tuple(alerts)
        self.live = live

    def __getattr__(self, name: str) -> object:
        return getattr(self._whole, name)

    def read_alerts(self) -> tuple[Alert, ...]:
        """Return the alerts."""
        return self._alerts


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Return a recording of 24 joints on four buses in which next to nothing was said."""
    folder = tmp_path_factory.mktemp("many")
    bench = many_joints.bench(folder, rate_Hz=100.0)
    limits = parse_limits(many_joints.LIMITS, "limits.toml")
    manifest = new_manifest(bench, name="t", started_ns=START_NS, limits=limits)
    writer = RecordingWriter(folder / "rec", manifest, bench, now_s=0.0)
    writer.append_frames(FrameBatch.from_rows([(START_NS, 0x7FF, 0, b"")]))
    writer.close(ended_ns=START_NS + 1, cause="test")
    return Recording.open(folder / "rec")


def alert(number: int, joint: str, limit: str, severity: str, channel: str = HEAT) -> Alert:
    """Return an open alert that was raised at the start."""
    return Alert(
        number=number, joint=joint, limit=limit, severity=severity, channel=channel,
        raised_ns=START_NS,
    )  # type: ignore[arg-type]  # fmt: skip


def status_of(
    recording: Recording,
    *alerts: Alert,
    silent: Sequence[str] = (),
    hotter: float = 0.0,
    worst_first: Sequence[str] = (),
    drawn: Sequence[str] | None = None,
    buses: Sequence[BusFacts] = (),
    names: Sequence[str] = NAMES,
    live: bool = True,
) -> Status:
    """Return what Live shows a minute after the start."""
    slow = {name: SlowValues(rms_torque_Nm=3.1, temperature_trend=None) for name in names}
    return live_status(
        Running(recording, alerts, live=live),  # type: ignore[arg-type]
        latest=latest_of(silent, hotter),
        slow=slow,
        now_ns=NOW_NS,
        zone=UTC,
        worst_first=worst_first,
        pens=choose_pens(worst_first or NAMES, NAMES, drawn),
        buses=buses,
    )


def joint_facts_of(recording: Recording, *alerts: Alert, live: bool) -> list[JointFacts]:
    """Return what is so of each joint then."""
    latest = latest_of()
    running: Any = Running(recording, alerts, live=live)
    return [
        joint_facts(
            running,
            name,
            latest=latest[name],
            slow=None,
            alerts=alerts,
            now_ns=NOW_NS,
            is_live=live,
        )
        for name in NAMES
    ]


def latest_of(silent: Sequence[str] = (), hotter: float = 0.0) -> dict[str, LatestValues]:
    """Return the newest values of each joint."""
    now_ns = NOW_NS
    latest = {}
    for joint in many_joints.JOINTS:
        heard_ns = now_ns - (48 * S if joint.name in silent else S // 50)
        values = {"torque_Nm": (heard_ns, 1.0)}
        if joint.temperature_degC == joint.temperature_degC:
            values[HEAT] = (heard_ns, joint.temperature_degC + hotter)
        latest[joint.name] = LatestValues(time_ns=heard_ns, values=values)
    return latest


WORST_FIRST = [
    "south-shoulder", "west-shoulder", "north-elbow", "east-wrist", "east-gripper",
    *(name for name in NAMES if name not in {
        "south-shoulder", "west-shoulder", "north-elbow", "east-wrist", "east-gripper"}),
]  # fmt: skip
ALERTS = (
    alert(1, "south-shoulder", "housing-hot", "trip"),
    alert(2, "west-shoulder", "housing-warm", "warning"),
    alert(3, "north-elbow", "over-torque", "warning", "torque_Nm"),
)


def test_tiles_in_place_of_rows(recording: Recording):
    """Six in full with what is ahead and why, the others with their temperature alone."""
    status = status_of(recording, *ALERTS, silent=["east-wrist"], worst_first=WORST_FIRST)
    tiles = status["tiles"]
    assert status["joints"] == []
    assert [tiles["joints"][index]["name"] for index in tiles["order"]] == WORST_FIRST
    assert tiles["full"] == 6
    assert (tiles["low"], tiles["high"]) == (20.0, 90.0)
    shown = {tile["name"]: tile for tile in tiles["joints"]}
    assert [shown[name]["state"] for name in WORST_FIRST[:6]] == [
        "Trip", "Warning", "Warning", "No data", "Heat not known", "Normal",
    ]  # fmt: skip
    assert shown["north-elbow"]["reason"] == "torque at or above 16 N·m"
    assert shown["east-wrist"]["reason"].endswith(", 48 s ago")
    assert shown["east-wrist"]["limit_time"]["label"] == "until it speaks"
    gripper = shown["east-gripper"]
    assert (gripper["mark"], gripper["temperature"], "now" in gripper) == ("none", "—", False)
    assert gripper["limit_time"]["value"] == "3.1"
    quiet = shown[WORST_FIRST[10]]
    assert not {"reason", "limit_time", "fault", "will"} & set(quiet)
    assert tiles["summary"] == (
        "1 tripped, 2 warn, 1 silent, 1 without a known temperature, 19 well; "
        "rules from 20 to 90 °C"
    )
    assert tiles["rest"] == "And 18 that are well"
    assert tiles["rest_note"].startswith("all below 70 °C; ")


def test_a_recording_that_stopped_keeps_its_order(recording: Recording):
    """Nobody is silent of his own: what was known last counts, and six are in full."""
    known = joint_facts_of(recording, *ALERTS, live=False)
    states = {one.joint: one.state for one in known}
    assert states["south-shoulder"] == JointState.TRIP
    assert states["north-elbow"] == JointState.WARNING
    assert states["east-gripper"] == JointState.HEAT_UNKNOWN
    assert states["east-wrist"] == JointState.NORMAL
    assert all(one.is_stale for one in known)
    status = status_of(recording, *ALERTS, worst_first=WORST_FIRST, live=False)
    tiles = status["tiles"]
    assert tiles["full"] == 6
    assert tiles["summary"].startswith("as last heard: 1 tripped, 2 warn, 1 without")
    assert tiles["rest"] == "And 18 more"
    assert {tile["state"] for tile in tiles["joints"]} == {"No data"}


def test_no_joint_that_is_not_well_is_among_the_quiet_ones(recording: Recording):
    """With eight in warning eight are in full, and the order may be older than their states."""
    late = status_of(recording, alert(1, NAMES[-1], "housing-hot", "trip"), worst_first=NAMES)
    tiles = late["tiles"]
    shown = [tiles["joints"][index]["name"] for index in tiles["order"]]
    assert shown[:2] == [NAMES[-1], "east-gripper"]
    assert [name for name in shown if name not in shown[:2]] == [
        name for name in NAMES if name not in shown[:2]
    ]
    assert tiles["full"] == 6
    warned = [alert(n, name, "housing-warm", "warning") for n, name in enumerate(NAMES[:8], 1)]
    tiles = status_of(recording, *warned, worst_first=NAMES)["tiles"]
    assert tiles["full"] == 9, "they, and the one without a temperature"
    assert tiles["rest"] == "And 15 that are well"


def test_eight_joints_have_rows(tmp_path: Path):
    """From nine on there are tiles."""
    for count, has_tiles in ((8, False), (9, True)):
        joints = many_joints.JOINTS[:count]
        bench = many_joints.bench(tmp_path, rate_Hz=100.0, joints=joints)
        manifest = new_manifest(bench, name="t", started_ns=START_NS)
        folder = tmp_path / f"rec{count}"
        writer = RecordingWriter(folder, manifest, bench, now_s=0.0)
        writer.append_frames(FrameBatch.from_rows([(START_NS, 0x7FF, 0, b"")]))
        writer.close(ended_ns=START_NS + 1, cause="test")
        status = status_of(Recording.open(folder), names=[joint.name for joint in joints])
        assert ("tiles" in status) is has_tiles
        assert len(status["joints"]) == (0 if has_tiles else count)


def test_what_is_not_drawn_is_said(recording: Recording):
    """A joint has a pen only while it is drawn."""
    status = status_of(recording, worst_first=WORST_FIRST)
    assert status["drawn"] == "3 of 24 drawn, 21 not"
    pens = {tile["name"]: tile["pen"] for tile in status["tiles"]["joints"]}
    assert [pens[name] for name in WORST_FIRST[:4]] == [1, 2, 3, 0]
    chosen = status_of(recording, drawn=["", "east-base"])
    assert [t["name"] for t in chosen["tiles"]["joints"] if t["pen"]] == ["east-base"]


def test_many_alerts_are_two_lines(recording: Recording):
    """The worst, and the others together; two alerts need no summary."""
    status = status_of(recording, *ALERTS)
    assert status["alerts"][0]["mark"] == "danger"
    assert status["more_alerts"] == {
        "mark": "abnormal",
        "headline": "2 warnings: north elbow torque at or above 16 N·m, "
        "west shoulder housing at or above 70 °C",
        "detail": "",
    }
    assert "more_alerts" not in status_of(recording, *ALERTS[:2])
    trips = [alert(n, name, "housing-hot", "trip") for n, name in enumerate(NAMES[:7], 1)]
    more = status_of(recording, *trips, *ALERTS[1:2])["more_alerts"]
    assert more["mark"] == "danger"
    assert more["headline"].startswith("6 trips and 1 warning: ")
    assert more["detail"] == "and 4 more"


def test_buses_are_named_with_who_is_silent(recording: Recording):
    """One line for each; a lost bus and error frames are said."""
    heard = BusFacts(frames_per_s=601.4, load=0.29)
    buses = [heard, heard, BusFacts(is_lost=True), BusFacts(frames_per_s=3.0, error_frames=5)]
    lines = status_of(recording, silent=["east-wrist"], buses=buses)["buses"]
    assert [(line["name"], line["mark"], line["says"]) for line in lines] == [
        ("north", "", "all 6 joints heard"),
        ("east", "none", "east wrist silent for 48 s"),
        ("south", "none", "not reached"),
        ("west", "abnormal", "5 error frames a second"),
    ]
    assert [(line["rate"], line["load"]) for line in lines[:3]] == [
        ("601", "29"), ("601", "29"), ("–", "–"),
    ]  # fmt: skip


def test_a_page_is_sent_little_of_joints_that_are_well(recording: Recording):
    """A tenth of a kelvin of all joints costs a number and a text each, and no ages."""
    before = status_of(recording, worst_first=WORST_FIRST)
    after = status_of(recording, worst_first=WORST_FIRST, hotter=0.1)
    changes = diff_values(dict(before), dict(after))
    quiet = [changes["tiles"]["joints"][NAMES.index(name)] for name in WORST_FIRST[6:]]
    assert all(set(change) == {"temperature", "now"} for change in quiet)
    same = diff_values(dict(before), dict(status_of(recording, worst_first=WORST_FIRST)))
    assert same == {}
