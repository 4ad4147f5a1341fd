"""What the Campaign page is answered: the figures of the command, and where they lie."""

import shutil
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from dashboard.campaign.campaign_list import campaign_choices, campaign_of, list_campaigns
from dashboard.campaign.comparison import joint_key, other_joints, split_key
from dashboard.campaign.figure_text import figure_label
from dashboard.campaign.kept_campaigns import CampaignRequest, ReadCampaign, read_kept_campaign
from dashboard.campaign.picture import MOST_BINS
from dashboard.campaign.replay_spans import replay_address
from dashboard.campaign.view import campaign_view
from dashboard.server.recording_cache import RecordingCache
from dashboard.text.format import format_short_date
from dashboard.text.units import DEFAULT_DISPLAYS
from logger.errors import InputError
from replay.campaign.campaign import hour_ns
from replay.campaign.campaign_words import campaign_answer
from tests.support.findings import small_recording
from tests.support.made_campaign import MadePart, write_campaign_part

STEP_H = 170.0
AWAY_H = (100.0, 120.0)
END_H = 230.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give two recordings of one campaign, and one that follows no plan."""
    made = tmp_path_factory.mktemp("campaigns")
    first = MadePart(first_h=0.0, last_h=AWAY_H[0], step_h=STEP_H, fault_hours=(30.0,))
    second = MadePart(
        first_h=AWAY_H[1],
        last_h=END_H,
        step_h=STEP_H,
        notes=((AWAY_H[1] + 0.2, "weekend"),),
        fault_hours=(END_H - 30.0, END_H - 20.0, END_H - 1.0),
    )
    write_campaign_part(made / "first", first)
    write_campaign_part(made / "second", second)
    small_recording(made / "bench")
    return made


@pytest.fixture(scope="module")
def read(folder: Path) -> ReadCampaign:
    """Give the campaign as it is read for the page."""
    return read_kept_campaign(CampaignRequest((folder / "first", folder / "second"), "a"))


def _view(folder: Path, read: ReadCampaign) -> dict[str, Any]:
    entry = campaign_of(list_campaigns(RecordingCache(folder)), "second")
    return campaign_view(read, entry, displays=DEFAULT_DISPLAYS, zone=UTC)


@pytest.fixture(scope="module")
def view(folder: Path, read: ReadCampaign) -> dict[str, Any]:
    """Give what the page is answered."""
    return _view(folder, read)


def test_recordings_of_one_plan_and_serial_are_one(folder: Path):
    """Whichever of them is asked for; without a plan one stands for itself, unless asked."""
    campaigns = list_campaigns(RecordingCache(folder))
    assert [[part.path for part in one.parts] for one in campaigns] == [
        ["first", "second"],
        ["bench"],
    ]
    choices = campaign_choices(campaigns, UTC)
    assert choices[0]["name"] == "Gear endurance, 0398"
    assert choices[0]["begun"].endswith("2 recordings")
    assert choices[1]["begun"].endswith("without a plan")
    together = campaign_of(campaigns, "bench", ["first"])
    assert {part.path for part in together.parts} == {"bench", "first"}
    with pytest.raises(InputError, match="no recording named"):
        campaign_of(campaigns, "elsewhere")


def test_a_recording_within_another_is_left_out(folder: Path, tmp_path: Path):
    """A cut follows the same plan: the page says so, and shows it by itself where it is asked."""
    for name in ("first", "second"):
        shutil.copytree(folder / name, tmp_path / name)
    write_campaign_part(tmp_path / "cut", MadePart(first_h=20.0, last_h=21.0))
    campaigns = list_campaigns(RecordingCache(tmp_path))
    entry = campaign_of(campaigns, "first")
    assert [part.path for part in campaign_of(campaigns, "cut").parts] == ["cut"]
    assert [part.path for part in entry.parts] == ["first", "second"]
    assert entry.left_out == ("cut",)


def test_the_page_says_what_the_command_says(view: dict[str, Any], read: ReadCampaign):
    """The same changes, of the same size, at the same time; each leads to its span in Replay."""
    answer = campaign_answer(read.campaign)
    friction = next(one for one in answer["figures"] if one["figure"] == "friction_Nm")
    (told,) = friction["changes"]
    row = next(one for one in view["changes"] if one["what"] == "Friction")
    assert float(row["by"]) == pytest.approx(100.0 * told["size"], abs=0.06)
    assert row["unit"] == "%"
    for key in ("before", "after"):
        value, unit, interval = row[key]
        assert unit == "N·m"
        assert float(value) == pytest.approx(told[key]["value"], rel=0.01)
        assert float(interval.split()[0]) <= float(value) <= float(interval.split()[2])
    (change,) = read.campaign.figures[0].trend.changes
    begin_ns, end_ns = (hour_ns(read.campaign, hour) for hour in (change.low_h, change.high_h))
    address = urlsplit(row["href"])
    query = parse_qs(address.query)
    start_ns = read.spans[1].start_ns
    assert address.path == "/replay/second"
    assert float(query["span0"][0]) == (begin_ns - start_ns) / 1e9
    assert float(query["span1"][0]) == (end_ns - start_ns) / 1e9
    assert "friction rose by " in view["copy"]
    assert "would not have been seen" in view["news"][-1]["text"]
    assert view["facts"][0][:2] == [f"{read.campaign.hours:.0f}", "h"]
    assert answer["plan_end"] is not None
    (ends,) = (fact for fact in view["facts"] if fact[2].startswith("plan ends, if it goes on so"))
    assert ends[0] == f"about {format_short_date(read.campaign.plan_end.expected_ns, UTC)}"


def test_a_pause_is_a_fold(view: dict[str, Any]):
    """It has no width in hours, a name that somebody wrote, and rows are broken at it."""
    picture = view["picture"]
    (fold,) = picture["folds"]
    assert (fold["at"], fold["length"], fold["reason"]) == (AWAY_H[0], "20 h", "weekend")
    assert picture["hours"] == pytest.approx(END_H - (AWAY_H[1] - AWAY_H[0]))
    for row in picture["rows"]:
        before, after = row["spans"]
        assert (before["folds"], after["folds"]) == (0, 1)
        assert before["at"][-1] <= AWAY_H[0] <= after["at"][0]
        assert len(before["at"]) + len(after["at"]) <= MOST_BINS
    (change,) = picture["rows"][0]["changes"]
    assert change["at"][0] == pytest.approx(STEP_H - 20.0, abs=2.0)
    assert change["at"][1] == 1
    stages = [(one["name"], one["on"]) for one in picture["stages"]]
    assert stages == [("soak", False), ("load", True)]


def test_faults_are_counted_by_day_and_since_yesterday(view: dict[str, Any]):
    """Days count from the beginning, the last day from the end."""
    days = view["picture"]["days"]
    assert sum(day["counts"][0] for day in days) == 4
    assert view["news"][0]["lead"] == "2 faults"
    assert view["facts"][-1][2] == "faults, 2 since yesterday"
    assert len(view["days"]["rows"]) == len(view["days"]["hrefs"]) == len(days)


def test_what_is_not_known_says_what_would_settle_it(folder: Path, read: ReadCampaign):
    """A campaign of some days has rows and no trend; no plan, no stages to come."""
    early = read_kept_campaign(CampaignRequest((folder / "first",), "a"))
    view = _view(folder, early)
    assert view["copy"].startswith("Whether anything changed is not known yet: 3")
    assert [row["words"] for row in view["picture"]["rows"]] == ["trend not known yet"] * 3
    remedies = dict(view["unknown"])
    assert "seven days" in remedies["Whether friction, RMS torque and cycle time changed"]
    assert view["figures"]["rows"][0][2] == "not known yet"
    alone = _view(folder, replace(read, plan=None))
    assert "--plan" in dict(alone["unknown"])["How far it is"]


def test_another_joint_beside_it(folder: Path, read: ReadCampaign, tmp_path: Path):
    """Its hours in the same rows, its figures in a table; any joint of the folder but this one."""
    other = write_campaign_part(
        tmp_path / "spare", MadePart(first_h=0.0, last_h=30.0, watch=("rms_torque_Nm",)), serial="1"
    )
    spare = read_kept_campaign(CampaignRequest((other,), "a"))
    campaigns = list_campaigns(RecordingCache(folder))
    shown = joint_key("first", "a")
    assert other_joints(campaigns, shown) == [{"key": "bench/a", "name": "a, bench"}]
    assert split_key(shown) == ("first", "a")
    entry = campaign_of(campaigns, "first")
    view = campaign_view(read, entry, displays=DEFAULT_DISPLAYS, zone=UTC, compared=spare)
    friction, torque, length = view["picture"]["rows"]
    assert (friction["other"], length["other"]) == ([], [])
    (span,) = torque["other"]
    assert max(span["at"]) == pytest.approx(29.5, abs=0.1)
    assert min(torque["low"], *span["mean"]) == torque["low"]
    assert view["both"]["head"][1:3] == ["a 0398", "a 1"]
    ((label, mine, theirs, _, daily, _),) = view["both"]["rows"]
    assert (label, daily) == ("RMS torque", "not known yet")
    assert mine.endswith("N·m")
    assert theirs.endswith("N·m")


def test_cycles_that_stand_still_come_first(folder: Path, read: ReadCampaign):
    """With since when, and where to look."""
    since_ns = read.campaign.end_ns - 600_000_000_000
    view = _view(folder, replace(read, missing_since_ns=since_ns))
    still = next(one for one in view["news"] if one["mark"] == "danger")
    assert still["lead"] == "No cycle"
    assert "/replay/second" in still["href"]


def test_a_span_that_no_recording_holds_leads_to_its_edge(read: ReadCampaign):
    """A pause between recordings: the end of the one before it."""
    first, second = read.spans
    address = urlsplit(replay_address(read.spans, first.end_ns, second.start_ns))
    assert address.path == "/replay/first"
    assert "span0" not in parse_qs(address.query)
    assert replay_address((), 0, 1) == ""


@pytest.mark.parametrize(
    ("name", "label"),
    [
        ("cycle_time_s", "Cycle time"),
        ("rms_torque_Nm", "RMS torque"),
        ("peak_current_forward_A", "Peak current, forward"),
        ("mean_temperature_housing_degC", "Mean temperature, housing"),
        ("rms_speed_error_rad_s", "RMS speed error"),
        ("friction_A", "Friction"),
        ("driving_work_J", "Driving work"),
    ],
)
def test_a_figure_in_words(name: str, label: str):
    """Without its unit, which stands beside it."""
    assert figure_label(name) == label
