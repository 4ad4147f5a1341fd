"""What is told of a campaign: what changed, since when, by how much, and what it is not."""

from dataclasses import replace

import numpy as np
import pytest

from logger.campaign.cycle_figures import figure_unit
from logger.campaign.cycle_plan import CycleKind
from replay.campaign.campaign import Campaign, FigureAnswer, NewChange
from replay.campaign.campaign_cycles import RunningHours
from replay.campaign.campaign_days import CampaignDay
from replay.campaign.campaign_words import (
    campaign_answer,
    change_sentences,
    news_sentences,
    running_in_sentences,
    verdict_phrase,
)
from replay.campaign.change_scan import ChangeShape
from replay.campaign.figure_trend import Change, FigureTrend, NotJudged

START_NS = 1_800_000_000_000_000_000
STEP = Change(
    shape=ChangeShape.STEP,
    date_h=200.0,
    low_h=198.0,
    high_h=201.0,
    size=0.031,
    size_low=0.02,
    size_high=0.042,
    evidence=40.0,
)


def _figure(name: str, *changes: Change, compared_by: str = "", **more: object) -> FigureAnswer:
    trend = FigureTrend(
        name=name,
        is_relative="temperature" not in name,
        usual=5.0,
        changes=changes,
        per_day=0.0,
        per_day_low=-0.001,
        per_day_high=0.001,
        unseen=0.012,
        per_kelvin=-0.012,
        **more,
    )
    return FigureAnswer(
        stage="load",
        unit=figure_unit(name),
        compared_by=compared_by,
        trend=trend,
        as_it_came=trend.values,
    )


def _campaign(*figures: FigureAnswer, new: tuple[NewChange, ...] = ()) -> Campaign:
    day = CampaignDay(
        day=12,
        start_ns=START_NS,
        cycles=720,
        broken=0,
        faults=0,
        resets=0,
        brown_outs=0,
        trips=0,
        hottest_degC=68.0,
    )
    return Campaign(
        name="Gear endurance",
        joint="a",
        label="shoulder",
        recordings=("one",),
        start_ns=START_NS,
        end_ns=START_NS + 12 * 86_400 * 10**9,
        cycles=8640,
        kinds={CycleKind.WHOLE: 8640},
        usual_cycle_s=120.0,
        running=RunningHours(at_ns=np.empty(0, np.int64), hours=np.empty(0)),
        stages=(),
        days=(day,),
        figures=figures,
        new_changes=new,
        newest_day=day,
    )


def _told(campaign: Campaign) -> str:
    first = campaign.figures[0]
    return "\n".join(change_sentences(campaign, first, first.trend.changes[0]))


def test_a_quiet_campaign_says_what_would_have_been_seen():
    """Nothing changed is worth as much as what would not have been seen."""
    campaign = _campaign(_figure("rms_torque_Nm"), _figure("peak_temperature_degC"))
    said = " ".join(news_sentences(campaign))
    assert "Nothing changed in 2 figures." in said
    assert "rms_torque_Nm from 1.2 %, peak_temperature_degC from 0.012 K" in said
    assert verdict_phrase(campaign) == "nothing changed"
    assert campaign_answer(campaign)["verdict"] == {"text": "nothing changed", "changed": []}


def test_a_step_has_its_date_its_size_and_what_it_is_not():
    """With intervals, what was taken out, and what did not change beside it."""
    campaign = _campaign(
        _figure("friction_Nm", STEP, compared_by="temperature_housing_degC"),
        _figure("rms_torque_Nm"),
    )
    said = _told(campaign)
    assert (
        "load: friction_Nm changed by +3.1 % (95 %: +2 % to +4.2 %), at 2027-01-23T16:00Z" in said
    )
    assert "(95 %: 2027-01-23T14:00Z to 2027-01-23T17:00Z)" in said
    assert "at like temperature_housing_degC (-1.2 % a kelvin)" in said
    assert "Unchanged, though a step would have been seen: rms_torque_Nm from 1.2 %." in said
    assert verdict_phrase(campaign) == "changed: load: friction_Nm +3.1 % on day 9"
    answer = campaign_answer(campaign)["verdict"]
    assert answer["changed"] == ["friction_Nm"]


def test_a_ramp_has_no_date_alone():
    """It is known to days when it began."""
    ramp = replace(STEP, shape=ChangeShape.RAMP, low_h=60.0, high_h=240.0)
    campaign = _campaign(
        _figure("friction_Nm", ramp),
        new=(NewChange(stage="load", name="friction_Nm", change=ramp),),
    )
    said = _told(campaign)
    assert said.startswith("New since yesterday: load: friction_Nm has been changing, by now by")
    assert "since some time from 2027-01-17T20:00Z to 2027-01-25T08:00Z (95 %)" in said
    assert "2027-01-23T16:00Z" not in said
    assert "warmth may be all of it" in said
    assert verdict_phrase(campaign) == "changed: new: load: friction_Nm +3.1 % since day 3 or later"


@pytest.mark.parametrize(
    ("beside", "said"),
    [
        ([_figure("rms_torque_Nm")], "not the load, as far as that would have been seen"),
        ([_figure("rms_torque_Nm", STEP)], "The load went with it (rms_torque_Nm)."),
        ([], "Whether the load went with it is not known: no torque or current is watched."),
    ],
)
def test_a_temperature_says_whether_the_load_went_with_it(beside: list[FigureAnswer], said: str):
    """Airflow is named where the trace carries that, and only there."""
    told = _told(_campaign(_figure("peak_temperature_degC", STEP), *beside))
    assert said in told
    assert ("airflow" in told) == ("not the load" in told)
    assert "the room may be all of it" in told


def test_running_in_is_told_apart_where_it_is_sure():
    """It is no change; what the decays only lean on is not told."""
    sure = _figure("friction_Nm", running_in=-0.19, running_in_low=-0.25, running_in_high=-0.13)
    leaning = _figure("rms_torque_Nm", running_in=-0.1, running_in_low=-0.2, running_in_high=-0.01)
    (said,) = running_in_sentences(_campaign(sure, leaning))
    assert said == (
        "load: friction_Nm ran in by -19 % (-25 % to -13 %) over the first days: no change."
    )


def test_before_seven_days_nothing_is_said():
    """Not that nothing changed."""
    young = FigureTrend(name="rms_torque_Nm", is_relative=False, not_judged=NotJudged.TOO_SHORT)
    figure = FigureAnswer(
        stage="", unit="N.m", compared_by="", trend=young, as_it_came=young.values
    )
    campaign = _campaign(figure)
    assert "Nothing changed" not in " ".join(news_sentences(campaign))
    assert verdict_phrase(campaign) == "figures are judged after seven days"
    assert campaign_answer(campaign)["verdict"]["changed"] is None
